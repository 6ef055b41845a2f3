"""What a program's author can do about each error of the interface, by its code."""

from __future__ import annotations

REMEDIES: dict[str, str] = {
    "address-refused": "Give an https address on the public internet: a whole host name, port 443 or 1024 and above.",
    "body-too-large": "Send less in one request; a scan goes by the upload routes.",
    "case-unknown": "Check the id. A case of another clinic reads like one that never was.",
    "checksum": "Send the file again from its first byte, as a new upload.",
    "consent-missing": "Ask the prescriber; then send consent: true.",
    "cursor": "Begin the list again without a cursor, and pass next_cursor on as it came.",
    "empty-file": "Export the scan again and look at its size before sending it.",
    "file-type": "Send scans as STL, PLY, OBJ or 3MF, positions also as CSV or JSON, photos as PNG or JPEG.",
    "finding-unknown": "Read the findings again; a new verdict may have replaced the one you saw.",
    "forged": "Send a token in the header Authorization instead of a session's cookie.",
    "form-changed": "Read the form again, put your change into it, and send it with the new ETag.",
    "form-unusable": "Mend the fields named under problems and send the form again.",
    "http-404": "Check the address against the description of the interface.",
    "http-405": "Check the method against the description of the interface.",
    "key-reused": "Take a new Idempotency-Key for a new request; repeat the old one unchanged.",
    "key-too-long": "Take a shorter Idempotency-Key, such as a UUID.",
    "length-missing": "Send the header Content-Length with the size of the file.",
    "merge-unusable": "Send a JSON object with the fields that are to change; null takes a field out.",
    "message": "Write a message within these bounds.",
    "no-such-picture": "Take a finding's picture, or a name of the report's figures with .png or .svg after it.",
    "not-judged": "Wait until the case has records and is_judged of the case is true.",
    "not-packed": "Ask again in a moment; if the words say that it could not be made, tell the lab.",
    "not-released": "Wait until the lab has released the case.",
    "not-signed-in": "Make a token on the portal's page Tokens and send it as Authorization: Bearer TOKEN.",
    "not-yours": "Use a token of somebody who may do this.",
    "nothing-to-submit": "Upload the records of the case first.",
    "quota": "Ask the lab to make room for your clinic.",
    "reason-missing": "Write the reason so that it can be understood in a year.",
    "request-invalid": "Mend the fields named under problems and send the request again.",
    "role-missing": "Say by PATCH what each of these records is.",
    "single-only": "Send the files of the archive one by one, or the archive by the resumable upload.",
    "stands-against": "Wait for the verdict, or clear or waive what stands against the release.",
    "store-broken": "Try again later; nothing that was acknowledged is lost.",
    "too-large": "Check what was sent: the file is larger than was announced or than is accepted.",
    "too-many-logins": "Wait a quarter of an hour.",
    "too-many-trials": "Wait ten minutes; the last deliveries say what came of the trials before.",
    "too-many-webhooks": "Remove a webhook that is no longer used.",
    "unreadable": "Export the file again; it cannot be read as what it claims to be.",
    "upload-cut": "Send the file again; for long files use the resumable upload.",
    "upload-header": "Check the headers of the request against the upload protocol.",
    "upload-offset": "Ask with HEAD where the upload stands and go on from there.",
    "upload-over": "Begin a new upload and send the file again.",
    "upload-part-type": "Send the part as application/offset+octet-stream.",
    "upload-said": "Mend what is said of the file and begin the upload again.",
    "upload-unknown": "Check the id, or begin a new upload.",
    "upload-version": "Send the header Tus-Resumable: 1.0.0.",
    "webhook-unknown": "Check the id. A webhook of another organisation reads like one that never was.",
    "wrong-turn": "Read the case: its state says whose turn it is.",
}

_BY_STATUS = {
    404: "Check the id.",
    409: "Read the case again and see what has changed.",
    422: "Mend what was sent and send it again.",
    500: "Try again later. If it stays, tell whoever runs the portal the request_id.",
    507: "Try again later; the portal has no room or its disk refuses.",
}
_ELSE = "Compare the request with the description of the interface."


def remedy_of(code: str, status: int) -> str:
    """What to do about an error."""
    return REMEDIES.get(code) or _BY_STATUS.get(status, _ELSE)
