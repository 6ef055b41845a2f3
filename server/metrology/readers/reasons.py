"""Every reason for which a file is refused: a stable code, the rule that answers, one line of words."""

from __future__ import annotations

from enum import StrEnum

from server.metrology.readers.reading import Unreadable

UNREADABLE = "file/unreadable"
TRUNCATED = "file/truncated"
NO_TRIANGLES = "file/no-triangles"
NON_FINITE = "file/non-finite"
TOO_HEAVY = "file/too-heavy"

EXPORT_AGAIN = "Export the scan again, best as binary STL or PLY, and send that file."
SEND_AGAIN = "Export or copy the file again, wait until that has finished, and send it again."
SEND_THE_SCAN = "Send the scan itself: a mesh file (STL, PLY, OBJ or 3MF)."
SEND_THE_PARTS = "Take the files out of the archive and send them, or pack them again as an ordinary zip."
SEND_A_PHOTO = "Send the photo as an ordinary PNG or JPEG."


class Reason(StrEnum):
    """A refusal: its value is the code, `rule` answers for it, `words` say it in general, `remedy` helps."""

    rule: str
    words: str
    remedy: str

    def __new__(cls, code: str, rule: str, words: str, remedy: str) -> Reason:
        member = str.__new__(cls, code)
        member._value_ = code
        member.rule = rule
        member.words = words
        member.remedy = remedy
        return member

    def refusal(self, says: str = "") -> Unreadable:
        """The exception to raise; `says` shows the numbers of this file, where there are any."""
        return Unreadable(self.value, says or self.words, remedy=self.remedy, rule=self.rule)

    EMPTY = "empty", UNREADABLE, "The file is empty.", SEND_AGAIN
    ONLY_NUL_BYTES = "only-nul-bytes", UNREADABLE, "The file holds nothing but zero bytes.", SEND_AGAIN
    WEB_PAGE = "web-page", UNREADABLE, "The file is a web page, not a scan.", SEND_THE_SCAN
    POINTER_FILE = (
        "pointer-file",
        UNREADABLE,
        "The file only points at a scan that lies in a large-file store.",
        SEND_THE_SCAN,
    )
    CLOUD_PLACEHOLDER = (
        "cloud-placeholder",
        UNREADABLE,
        "The file is a placeholder or shortcut of a cloud drive; the scan itself was not downloaded.",
        "Open the cloud folder, let the file download completely, and send it again.",
    )
    ARCHIVE = "archive", UNREADABLE, "The file is an archive, not a scan.", SEND_THE_PARTS
    PICTURE = "picture", UNREADABLE, "The file is a picture, not a scan.", SEND_THE_SCAN
    DOCUMENT = "document", UNREADABLE, "The file is a document, not a scan.", SEND_THE_SCAN
    OTHER_DATA = "other-data", UNREADABLE, "The file is data of another kind, not a scan.", SEND_THE_SCAN
    UTF16_TEXT = "utf-16-text", UNREADABLE, "The file is written as UTF-16 text.", EXPORT_AGAIN
    NUL_BYTES = "nul-bytes", UNREADABLE, "The file is text with zero bytes in it; it is damaged.", SEND_AGAIN
    UNKNOWN_FORMAT = (
        "unknown-format",
        UNREADABLE,
        "The file is no mesh format that can be read here.",
        EXPORT_AGAIN,
    )
    DECIMAL_COMMAS = (
        "decimal-commas",
        UNREADABLE,
        "Its numbers are written with commas.",
        "Export again with decimal points (set the exporting program's language to English), or as binary.",
    )
    BAD_NUMBER = "bad-number", UNREADABLE, "A number in the file is not a number.", EXPORT_AGAIN
    BAD_STATEMENT = (
        "bad-statement",
        UNREADABLE,
        "A line of the file is not what the format allows.",
        EXPORT_AGAIN,
    )
    INDEX_OUT_OF_RANGE = (
        "index-out-of-range",
        UNREADABLE,
        "A facet of the file names a point that is not in it.",
        EXPORT_AGAIN,
    )
    TOO_FEW_CORNERS = "too-few-corners", UNREADABLE, "A facet has fewer than three corners.", EXPORT_AGAIN
    LIST_LENGTH = "list-length", UNREADABLE, "A list in the file states an impossible length.", EXPORT_AGAIN
    BAD_HEADER = (
        "bad-header",
        UNREADABLE,
        "The header of the file is not what the format allows.",
        EXPORT_AGAIN,
    )
    NO_END_HEADER = "no-end-header", UNREADABLE, "The header of the file never ends.", SEND_AGAIN
    UNKNOWN_TYPE = (
        "unknown-type",
        UNREADABLE,
        "The header names a type of number that does not exist.",
        EXPORT_AGAIN,
    )
    TOO_MANY_PROPERTIES = (
        "too-many-properties",
        UNREADABLE,
        "The header lists far too many properties.",
        EXPORT_AGAIN,
    )
    ELEMENT_TWICE = "element-twice", UNREADABLE, "The header describes the same element twice.", EXPORT_AGAIN
    NEGATIVE_COUNT = "negative-count", UNREADABLE, "The header states a negative count.", EXPORT_AGAIN
    NO_COORDINATES = "no-coordinates", UNREADABLE, "The points of the file have no x, y and z.", EXPORT_AGAIN
    LINE_TOO_LONG = "line-too-long", UNREADABLE, "A line of the file is far too long.", EXPORT_AGAIN
    ARCHIVE_EMPTY = "archive-empty", NO_TRIANGLES, "The archive holds no file.", SEND_THE_PARTS
    ARCHIVE_NESTED = "archive-nested", UNREADABLE, "The archive holds another archive.", SEND_THE_PARTS
    ARCHIVE_NAMES = (
        "archive-names",
        UNREADABLE,
        "The archive holds names that are not allowed.",
        SEND_THE_PARTS,
    )
    ARCHIVE_DAMAGED = "archive-damaged", TRUNCATED, "The archive is damaged or cut short.", SEND_AGAIN
    ARCHIVE_ODD = "archive-odd", UNREADABLE, "The archive is not built as usual.", SEND_THE_PARTS
    ARCHIVE_ENCRYPTED = (
        "archive-encrypted",
        UNREADABLE,
        "The archive is locked by a password.",
        SEND_THE_PARTS,
    )
    ARCHIVE_TOO_LARGE = "archive-too-large", TOO_HEAVY, "The archive unpacks to too much.", SEND_THE_PARTS
    NOT_A_PHOTO = "not-a-photo", UNREADABLE, "The file is no PNG or JPEG picture.", SEND_A_PHOTO
    PICTURE_DAMAGED = "picture-damaged", UNREADABLE, "The picture is damaged or cut short.", SEND_A_PHOTO
    PICTURE_CUT_SHORT = (
        "picture-cut-short",
        TRUNCATED,
        "The picture ends before it is complete.",
        SEND_A_PHOTO,
    )
    PICTURE_TOO_LARGE = (
        "picture-too-large",
        TOO_HEAVY,
        "The picture has more pixels than can be read.",
        "Send the photo at its ordinary size, below 50 million pixels.",
    )
    TOO_SHORT = "too-short", TRUNCATED, "The file is shorter than its own header.", SEND_AGAIN
    CUT_SHORT = "cut-short", TRUNCATED, "The file ends before what it says it holds.", SEND_AGAIN
    NO_ENDSOLID = "no-endsolid", TRUNCATED, "The text ends before its solid does.", SEND_AGAIN
    COUNT_IMPOSSIBLE = (
        "count-impossible",
        UNREADABLE,
        "The number of facets that the file states cannot be right.",
        EXPORT_AGAIN,
    )
    DATA_BEYOND_COUNT = (
        "data-beyond-count",
        UNREADABLE,
        "The file holds more than it says: its count and its size disagree.",
        EXPORT_AGAIN,
    )
    NO_FACETS = "no-facets", NO_TRIANGLES, "The file holds no triangles.", EXPORT_AGAIN
    POINT_CLOUD = (
        "point-cloud",
        NO_TRIANGLES,
        "The file holds points only: a point cloud, no surface.",
        EXPORT_AGAIN,
    )
    ALL_COLLAPSED = (
        "all-collapsed",
        NO_TRIANGLES,
        "Every triangle of the file has two corners in the same place.",
        EXPORT_AGAIN,
    )
    NOT_FINITE = "not-finite", NON_FINITE, "The file holds coordinates that are no numbers.", EXPORT_AGAIN
    BEYOND_RANGE = "beyond-range", NON_FINITE, "The file holds coordinates far beyond any scan.", EXPORT_AGAIN
    TOO_MANY_FACETS = (
        "too-many-facets",
        TOO_HEAVY,
        "The file holds more triangles than can be measured.",
        "Export the scan again at the ordinary resolution.",
    )
