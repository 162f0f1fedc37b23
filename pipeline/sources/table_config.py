"""Settings of a source's tables, columns, tags and registers; the words below a key are in docs/settings.md."""

import difflib
import re
from functools import cached_property
from typing import Annotated, Any, Final, Literal, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    GetJsonSchemaHandler,
    ValidationError,
    model_validator,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from pipeline.sources.measures import fits


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError) as error:
        near = difflib.get_close_matches(name, available_timezones(), n=1)
        said = f"did you mean {near[0]}?" if near else "it is one like Europe/Berlin"
        raise ValueError(f"there is no time zone {name!r}; {said}") from error
    return name


Zone = Annotated[str, AfterValidator(_zone)]
"""A setting that is an IANA name."""


class Section(BaseModel):
    """A part of the settings: nothing stands in it that is not known."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class Column(Section):
    """Where a column of the contract comes from.

    `volume_l = "Litres"` is short for a column and no more, `tank_id = ["Site", "Tank"]` for several that are joined;
    `temp_c = {}` does without.
    """

    column: str | Annotated[tuple[str, ...], Field(min_length=1)] | None = Field(default=None, examples=['"Litres"'])
    """Name of the source's column, or a list of some that together are one: `-` is put between, in times a blank."""
    unit: str | None = Field(default=None, examples=['"gal_us"'])
    """Unit that it is in, of those that docs/operations.md lists; left out, the contract's own."""
    value: str | float | bool | None = Field(default=None, examples=['"sale"'])
    """One value for every row, where the source has no such column."""
    words: dict[str, str] = Field(default={}, examples=['{ S = "sale", R = "test_return" }'])
    """The source's words, and what each is in the contract."""

    @model_validator(mode="before")
    @classmethod
    def _short(cls, given: Any) -> Any:
        return {"column": given} if isinstance(given, str | list) else given

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the source's columns that it is made of."""
        return (self.column,) if isinstance(self.column, str) else self.column or ()

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        """The schema with the short forms beside."""
        several = {"type": "array", "items": {"type": "string"}, "minItems": 1}
        return {"anyOf": [{"type": "string"}, several, handler.resolve_ref_schema(handler(core))]}


class Mapped(Section):
    """How a table of a source becomes one of the contract. A column that is not named has the contract's name."""

    columns: dict[str, Column] = Field(default={}, examples=['{ volume_l = { column = "Gallons", unit = "gal_us" } }'])
    """Columns of the contract, and where each comes from."""
    timezone: Zone = Field(default="UTC", examples=['"Europe/Berlin"'])
    """Zone of its wall-clock times, an IANA name."""
    time_format: str | None = Field(default=None, examples=['"%d.%m.%Y %H:%M:%S"'])
    """How its times, and by their head its dates, are written: a form of strftime, `epoch_s`, `epoch_ms` or
    `iso_zoned`; left out, ISO 8601."""
    decimal: Literal[".", ","] = Field(default=".", examples=['","'])
    """What parts the decimals of numbers in text; with a comma, points are left out."""


class FileTable(Mapped):
    """Files of one table."""

    pattern: str = Field(examples=['"sales-*.csv"'])
    """Which files below the source's place, `*` for anything; what does not end in `.parquet` is CSV."""
    separator: str = Field(default=",", examples=['";"'])
    """What parts the columns of CSV."""
    encoding: str = Field(default="utf-8", examples=['"cp1252"'])
    """Encoding of CSV."""


class SqlTable(Mapped):
    """A table, or a view, of a database."""

    table: str = Field(examples=['"plant.values"'])
    """Its name, perhaps with a schema in front."""
    layout: Literal["rows", "narrow", "wide"] = Field(default="rows", examples=['"narrow"'])
    """`rows`: a row a row of the contract; `narrow`: a row a tag and time; `wide`: a column a tag."""
    time_column: str | None = Field(default=None, examples=['"at"'])
    """Column of the time that a row speaks of; tables that lie in days, and tags, need it."""
    changed_column: str | None = Field(default=None, examples=['"written_at"'])
    """Column of the time at which a row was written: the night then asks for what is new by it."""
    tag_column: str = Field(default="tag", examples=['"name"'])
    """Column of the tag, where it is narrow."""
    value_column: str = Field(default="value", examples=['"val"'])
    """Column of the value, where it is narrow."""
    quality_column: str | None = Field(default=None, examples=['"q"'])
    """Column of the quality, where it is narrow or wide; left out, every value is good."""
    time_kind: Literal["timestamp", "text", "epoch_s", "epoch_ms"] = Field(default="timestamp", examples=['"epoch_s"'])
    """What its times are: the database's own, text that begins with the year, or counts since 1970."""


def date_form(time_format: str | None) -> str | None:
    """The date at the head of a form of times by which text stands in order of time; None where there is none."""
    if time_format is None or time_format == "iso_zoned":
        return "%Y-%m-%d"
    head = re.match(r"%Y[^%\w]?%m[^%\w]?%d", time_format)
    return head.group() if head else None


TAG_COLUMNS: Final = ("level_mm", "water_mm", "temp_c", "density_kg_m3", "total_l")
"""What a tag can be."""


class Tag(Section):
    """A tag of a historian: what it is of, which column it is, and in which unit."""

    tag: str = Field(examples=['"ns=2;s=T1.LEVEL"'])
    """Name of the tag; on OPC UA the node's identifier."""
    column: str = Field(examples=['"level_mm"'])
    """What it is: `level_mm`, `water_mm`, `temp_c`, `density_kg_m3`, or a meter's `total_l`."""
    tank_id: str | None = Field(default=None, examples=['"T1"'])
    """Tank that it is of."""
    meter_id: str | None = Field(default=None, examples=['"M1"'])
    """Meter that it is of, for `total_l`."""
    unit: str | None = Field(default=None, examples=['"in"'])
    """Unit that it is in; left out, the contract's own."""

    @property
    def table(self) -> str:
        """Table of the contract that it belongs to."""
        return "meter_totals" if self.column == "total_l" else "readings"

    @model_validator(mode="after")
    def _known(self) -> Self:
        if self.column not in TAG_COLUMNS:
            raise ValueError(f"tag {self.tag}: {self.column} is not a column that a tag can be")
        if (self.meter_id if self.column == "total_l" else self.tank_id) is None:
            raise ValueError(f"tag {self.tag}: it says neither which tank nor which meter it is of")
        if self.unit is not None and not fits(self.unit, self.column):
            raise ValueError(f"tag {self.tag}: unit {self.unit} does not measure {self.column}")
        return self


class Signal(Section):
    """What a word in tags' names says of them; `LVL = "level_mm"` is short for a column in the contract's unit."""

    column: str = Field(examples=['"level_mm"'])
    """What it is: `level_mm`, `water_mm`, `temp_c`, `density_kg_m3`, or a meter's `total_l`."""
    unit: str | None = Field(default=None, examples=['"in"'])
    """Unit that it is in; left out, the contract's own."""

    @model_validator(mode="before")
    @classmethod
    def _short(cls, given: Any) -> Any:
        return {"column": given} if isinstance(given, str) else given

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        """The schema with the short form beside."""
        return {"anyOf": [{"type": "string"}, handler.resolve_ref_schema(handler(core))]}


_FIELD: Final = re.compile(r"\{([A-Za-z_]\w*)\}")
"""What varies in a form of names."""


class TagForm(Section):
    """A scheme by which tags are named, and what the tags of such a name are; the tag map goes before it."""

    form: str = Field(examples=['"{site}.TK{tank}.{signal}"'])
    """How the names are made: what varies stands in braces, `{signal}` among it."""
    signals: dict[str, Signal] = Field(examples=['{ LVL = "level_mm", WTR = { column = "water_mm", unit = "cm" } }'])
    """The words that `{signal}` may be, and what each is; a name with another word is none of this form."""
    tank_id: str | None = Field(default=None, examples=['"{site}-{tank}"'])
    """The tank that such a tag is of, made of the same parts."""
    meter_id: str | None = Field(default=None, examples=['"{site}-{pump}"'])
    """The meter that it is of, for `total_l`."""

    @cached_property
    def _names(self) -> re.Pattern[str]:
        parts = _FIELD.split(self.form)
        words = "|".join(map(re.escape, self.signals))
        fields = [f"(?P<{one}>{words if one == 'signal' else '.+?'})" for one in parts[1::2]]
        literal = [re.escape(one) for one in parts[::2]]
        return re.compile("".join(a + b for a, b in zip(literal, [*fields, ""], strict=True)))

    def tag_of(self, name: str) -> Tag | None:
        """The tag of a name, None where it is not made by the form."""
        found = self._names.fullmatch(name)
        if found is None:
            return None
        told = {
            key: _FIELD.sub(lambda part: found[part[1]], made)
            for key, made in (("tank_id", self.tank_id), ("meter_id", self.meter_id))
            if made is not None
        }
        return Tag(tag=name, **told, **self.signals[found["signal"]].model_dump())

    @model_validator(mode="after")
    def _known(self) -> Self:
        fields = _FIELD.findall(self.form)
        made = _FIELD.findall((self.tank_id or "") + (self.meter_id or ""))
        strange = sorted(set(made) - set(fields))
        if fields.count("signal") != 1 or len(set(fields)) < len(fields) or not self.signals:
            raise ValueError(f"tag form {self.form}: it takes {{signal}}, with its signals, and each other part once")
        if strange:
            raise ValueError(f"tag form {self.form}: there is no {{{strange[0]}}} in it")
        try:
            for word in self.signals:
                self.tag_of(self.form.replace("{signal}", word))
        except ValidationError as error:
            said = error.errors(include_input=False, include_url=False)[0]["msg"]
            raise ValueError(said.removeprefix("Value error, ")) from error
        return self


class Register(Tag):
    """Registers of a Modbus device that hold one value."""

    tag: str = Field(default="", examples=['"T1.LEVEL"'])
    """A name, for whoever reads the settings."""
    address: int = Field(ge=0, le=65535, examples=["40"])
    """Address of the first register, counted from 0."""
    device_id: int = Field(default=1, examples=["3"])
    """Number of the device behind the address."""
    kind: Literal["holding", "input"] = Field(default="holding", examples=['"input"'])
    """Which kind of register."""
    type: Literal["uint16", "int16", "uint32", "int32", "float32", "float64"] = Field(
        default="uint16", examples=['"float32"']
    )
    """How the value is written; 32 bits take two registers, 64 four."""
    word_order: Literal["big", "little"] = Field(default="big", examples=['"little"'])
    """Which of several registers comes first: that of the high word, or of the low."""
    scale: float = Field(default=1.0, examples=["0.1"])
    """What the number is multiplied by, before its unit is looked at."""
    bad_value: float | None = Field(default=None, examples=["65535"])
    """The number by which the device says that it knows none."""
