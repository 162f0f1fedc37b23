"""The settings of operations, from `tankdrift.toml`: which sources there are, where the lake and the results go.

What the environment says (``TANKDRIFT_LAKE``, ``TANKDRIFT_OUT``) goes before the file.
"""

import re
import tomllib
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, TomlConfigSettingsSource

from pipeline.contract.lake import BY_DAY, LAKE_TABLES
from pipeline.errors import ArgumentError, TankdriftError
from pipeline.sources.measures import FACTORS, fits
from pipeline.sources.notice_config import NoticeConfig
from pipeline.sources.secrets import Address, Options, Reference

FILE: Final = "tankdrift.toml"


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError) as error:
        raise ValueError(f"there is no time zone {name!r}") from error
    return name


Zone = Annotated[str, AfterValidator(_zone)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Column(_Model):
    """Where a column of the contract comes from: a column of the source with its unit and words, or one value."""

    column: str | None = None
    unit: str | None = None
    value: str | float | bool | None = None
    words: dict[str, str] = {}

    @model_validator(mode="before")
    @classmethod
    def _short(cls, given: Any) -> Any:
        return {"column": given} if isinstance(given, str) else given


class Mapped(_Model):
    """How a table of a source becomes one of the contract. A column that is not named has the contract's name."""

    columns: dict[str, Column] = {}
    timezone: Zone = "UTC"
    time_format: str | None = None
    decimal: Literal[".", ","] = "."


class FileTable(Mapped):
    """Files of one table: a pattern below the source's place."""

    pattern: str
    separator: str = ","
    encoding: str = "utf-8"


class SqlTable(Mapped):
    """A table of a database. `narrow`: a row a tag and time; `wide`: a column a tag; `rows`: a row a row."""

    table: str
    layout: Literal["rows", "narrow", "wide"] = "rows"
    time_column: str | None = None
    changed_column: str | None = None
    tag_column: str = "tag"
    value_column: str = "value"
    quality_column: str | None = None
    time_kind: Literal["timestamp", "text", "epoch_s", "epoch_ms"] = "timestamp"


def date_form(time_format: str | None) -> str | None:
    """The date at the head of a form of times by which text stands in order of time; None where there is none."""
    if time_format is None or time_format == "iso_zoned":
        return "%Y-%m-%d"
    head = re.match(r"%Y[^%\w]?%m[^%\w]?%d", time_format)
    return head.group() if head else None


TAG_COLUMNS: Final = ("level_mm", "water_mm", "temp_c", "density_kg_m3", "total_l")
"""What a tag can be."""


class Tag(_Model):
    """A tag of a historian: what it is of, which column it is, and in which unit."""

    tag: str
    column: str
    tank_id: str | None = None
    meter_id: str | None = None
    unit: str | None = None

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


class Register(Tag):
    """Registers of a Modbus device that hold one value."""

    tag: str = ""
    address: int = Field(ge=0, le=65535)
    device_id: int = 1
    kind: Literal["holding", "input"] = "holding"
    type: Literal["uint16", "int16", "uint32", "int32", "float32", "float64"] = "uint16"
    word_order: Literal["big", "little"] = "big"
    scale: float = 1.0
    bad_value: float | None = None


class _SourceConfig(_Model):
    name: str = Field(pattern=r"^[A-Za-z0-9_\-]+$")
    since: datetime | None = None
    lookback_hours: float = Field(48.0, ge=0)
    retries: int = Field(2, ge=0)
    retry_wait_s: float = Field(5.0, ge=0)


class LakeConfig(_SourceConfig):
    """A folder that keeps the lake contract already, here or on an object store."""

    kind: Literal["lake"]
    place: Address
    options: Options = {}
    tables: tuple[str, ...] = ()


class FilesConfig(_SourceConfig):
    """CSV and Parquet drops, here or on an object store."""

    kind: Literal["files"]
    place: Address
    options: Options = {}
    tables: dict[str, FileTable]


class SqlConfig(_SourceConfig):
    """A database behind ADBC."""

    kind: Literal["sql"]
    driver: Literal["postgresql", "sqlite"]
    address: Address
    tables: dict[str, SqlTable]
    tags: tuple[Tag, ...] = ()
    tag_file: Path | None = None
    quality: Literal["words", "opc_da", "opc_ua"] = "opc_da"
    quality_words: dict[str, str] = {}
    hold_s: float = Field(0.0, ge=0)


class OpcuaConfig(_SourceConfig):
    """An OPC UA server with historical access; a tag is a node's identifier."""

    kind: Literal["opcua"]
    address: Address
    user: str | None = None
    password: Reference | None = None
    tags: tuple[Tag, ...] = ()
    tag_file: Path | None = None
    hold_s: float = Field(0.0, ge=0)
    values_a_request: int = Field(5000, ge=2)
    timeout_s: float = Field(20.0, gt=0)


class ModbusConfig(_SourceConfig):
    """A probe or controller that is asked over Modbus TCP."""

    kind: Literal["modbus"]
    host: str
    port: int = 502
    every_s: float = Field(60.0, ge=1)
    timeout_s: float = Field(3.0, gt=0)
    registers: tuple[Register, ...]


SourceConfig = Annotated[LakeConfig | FilesConfig | SqlConfig | OpcuaConfig | ModbusConfig, Field(discriminator="kind")]


class Operations(BaseSettings):
    """All of `tankdrift.toml`."""

    model_config = SettingsConfigDict(env_prefix="TANKDRIFT_", extra="forbid", frozen=True)

    lake: Path = Path("lake")
    out: Path = Path("out")
    run: dict[str, float] = {}
    stale_after_hours: float = Field(26.0, gt=0)
    min_free_gb: float = Field(2.0, ge=0)
    lock_wait_s: float = Field(600.0, ge=0)
    sources: tuple[SourceConfig, ...] = ()
    notices: NoticeConfig = NoticeConfig()

    @field_validator("sources")
    @classmethod
    def _names_once(cls, sources: tuple[SourceConfig, ...]) -> tuple[SourceConfig, ...]:
        names = [source.name for source in sources]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"two sources are named {twice[0]}")
        for source in sources:
            _require_known(source)
        return sources

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """What the environment says, then what the file says."""
        return (env_settings, init_settings)


def _require_known(source: SourceConfig) -> None:
    if not isinstance(source, FilesConfig | SqlConfig):
        return
    for table, mapped in source.tables.items():
        if table not in LAKE_TABLES or table == "labels":
            raise ValueError(f"source {source.name}: the lake contract has no table {table}")
        if isinstance(mapped, SqlTable) and mapped.layout != "rows" and table not in ("readings", "meter_totals"):
            raise ValueError(f"source {source.name}: {table} cannot be {mapped.layout}: it is made of no tags")
        if isinstance(mapped, SqlTable) and mapped.time_column is None and (table in BY_DAY or mapped.layout != "rows"):
            raise ValueError(f"source {source.name}: {table} needs time_column")
        if isinstance(mapped, SqlTable) and mapped.time_kind == "text" and date_form(mapped.time_format) is None:
            raise ValueError(
                f"source {source.name}: {table} cannot be asked by time: text in the form {mapped.time_format} stands "
                "in no order of time; make a view with a column that begins with the year"
            )
        for name, column in mapped.columns.items():
            if name not in LAKE_TABLES[table].columns():
                raise ValueError(f"source {source.name}: the contract's table {table} has no column {name}")
            if column.unit is not None and not fits(column.unit, name):
                known = ", ".join(FACTORS)
                raise ValueError(f"source {source.name}: unit {column.unit} does not measure {name} (known: {known})")


def read_operations(path: Path) -> Operations:
    """Return the settings of a file; places in it are as seen from the file's folder.

    Raises
    ------
    ArgumentError
        If the file is not there, is no TOML, or says something that cannot be; what it says is not repeated, for it may
        be a secret.
    """
    if not path.is_file():
        raise ArgumentError(f"{path}: there is no such file; docs/operations.md shows one")
    try:
        source = TomlConfigSettingsSource(Operations, path)
        found = Operations(**source())
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ArgumentError(f"{path}: {error}") from error
    except ValidationError as error:
        raise ArgumentError(f"{path}: {_said(error)}") from error
    except TankdriftError as error:
        raise ArgumentError(f"{path}: {error}") from error
    base = path.resolve().parent
    return found.model_copy(
        update={"lake": base / found.lake, "out": base / found.out, "sources": _placed(found, base)}
    )


def _said(error: ValidationError) -> str:
    first = error.errors(include_input=False, include_url=False)[0]
    where = ".".join(str(step) for step in first["loc"])
    more = error.error_count() - 1
    return f"{where}: {first['msg'].removeprefix('Value error, ')}" + (f" (and {more} more)" if more else "")


def _placed(found: Operations, base: Path) -> tuple[SourceConfig, ...]:
    placed: list[SourceConfig] = []
    for source in found.sources:
        if isinstance(source, LakeConfig | FilesConfig) and "://" not in source.place and ":" not in source.place:
            placed.append(source.model_copy(update={"place": str(base / source.place)}))
        elif isinstance(source, SqlConfig | OpcuaConfig) and source.tag_file is not None:
            placed.append(source.model_copy(update={"tag_file": base / source.tag_file}))
        else:
            placed.append(source)
    return tuple(placed)
