"""Tolerance sheets: named, versioned sets of limits. A sheet is never edited, only superseded."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from server.errors import BadRequest
from server.records.case_form import Finite, Prosthesis
from server.rules.limit import Level, Limit
from server.rules.rule import VALUE, Rule


class SheetUnusable(BadRequest):
    """The file is not a tolerance sheet; the words name what is wrong."""

    code = "sheet-unusable"
    http_status = 422


class SheetLimit(BaseModel):
    """A lab's own numbers for one limit; `return` null: it asks for a look and never returns."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, serialize_by_alias=True)

    look: Finite
    return_: Finite | None = Field(alias="return")
    source: str = "set by the lab"


class ToleranceSheet(BaseModel):
    """`limits` by rule id, then by limit name; a rule's only limit may be given directly. What a sheet does
    not name keeps the catalogue's default. `levels` sets the level of a yes/no rule."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, serialize_by_alias=True)

    schema_: Literal["archproof.sheet/1"] = Field(default="archproof.sheet/1", alias="schema")
    name: str = Field(min_length=1, max_length=120)
    version: int = Field(ge=1)
    prosthesis: Prosthesis = Prosthesis.PROVISIONAL
    limits: dict[str, dict[str, SheetLimit]] = Field(default_factory=dict)
    levels: dict[str, Level] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _lone_limits(cls, data: object) -> object:
        if isinstance(data, dict) and isinstance(data.get("limits"), dict):
            named = {
                rule: {VALUE: given} if isinstance(given, dict) and "look" in given else given
                for rule, given in data["limits"].items()
            }
            return {**data, "limits": named}
        return data

    def limit(self, rule: Rule, name: str) -> Limit:
        """The limit as this sheet applies it. Raises KeyError where the rule has no limit of that name."""
        default = rule.limits[name]
        if self.prosthesis is Prosthesis.DEFINITIVE:
            default = rule.definitive.get(name, default)
        own = self.limits.get(rule.id, {}).get(name)
        return default.with_numbers(own.look, own.return_, own.source) if own else default

    def level(self, rule: Rule) -> Level:
        """The level of a broken yes/no rule, as this sheet sets it."""
        own = self.levels.get(rule.id)
        if own is None and self.prosthesis is Prosthesis.DEFINITIVE:
            own = rule.definitive_level
        return own or rule.level

    def check_against(self, rules: tuple[Rule, ...]) -> None:
        """Raises SheetUnusable where the sheet names a rule or limit that the catalogue has not, or limits in
        an order that makes no sense."""
        known = {rule.id: rule for rule in rules}
        problems = [
            f"{rule}: is not a rule of the catalogue" for rule in {*self.limits, *self.levels} - set(known)
        ]
        for rule_id, named in self.limits.items():
            for name in named if rule_id in known else ():
                if name not in known[rule_id].limits:
                    problems.append(f"{rule_id}: has no limit “{name}”")
                    continue
                try:
                    self.limit(known[rule_id], name)
                except ValueError as error:
                    problems.append(f"{rule_id}: {error}")
        if problems:
            raise SheetUnusable("The tolerance sheet cannot be used: " + "; ".join(sorted(problems)))


DEFAULT_SHEETS = {
    Prosthesis.PROVISIONAL: ToleranceSheet(name="same-day provisional", version=1),
    Prosthesis.TRY_IN: ToleranceSheet(name="same-day provisional", version=1),
    Prosthesis.DEFINITIVE: ToleranceSheet(name="definitive", version=1, prosthesis=Prosthesis.DEFINITIVE),
}


def default_sheet(prosthesis: Prosthesis | None) -> ToleranceSheet:
    """The catalogue's own sheet for that kind of prosthesis; the provisional's where none is declared."""
    return DEFAULT_SHEETS[prosthesis or Prosthesis.PROVISIONAL]


def read_sheet(text: str | bytes) -> ToleranceSheet:
    """The sheet in a JSON file. Raises SheetUnusable, naming what is wrong."""
    try:
        return ToleranceSheet.model_validate_json(text)
    except ValidationError as error:
        places = (f"{'.'.join(str(p) for p in e['loc']) or 'sheet'}: {e['msg']}" for e in error.errors())
        raise SheetUnusable("The tolerance sheet cannot be used: " + "; ".join(places)) from error
