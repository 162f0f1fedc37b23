"""The settings of operations, from `tankdrift.toml`: which sources there are, where the lake and the results go.

What the environment says (``TANKDRIFT_LAKE``, ``TANKDRIFT_OUT``) goes before the file. The words below a key are its
line in docs/settings.md.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self

from pydantic import Field, ValidationError, field_validator, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from pipeline.contract.lake import BY_DAY, LAKE_TABLES
from pipeline.errors import ArgumentError, TankdriftError
from pipeline.resources import shared_dir
from pipeline.sources.known_keys import near, nearest
from pipeline.sources.measures import UNITS, fits
from pipeline.sources.notice_config import NoticeConfig, WatchConfig
from pipeline.sources.secrets import Address, Options, Reference
from pipeline.sources.table_config import FileTable, Register, Section, SqlTable, Tag, TagForm, date_form

FILE: Final = "tankdrift.toml"
NAME: Final = r"^[A-Za-z0-9_\-]+$"
"""What a source may be called."""


class _Source(Section):
    name: str = Field(pattern=NAME, examples=['"historian"'])
    """What it is called here: letters, digits, `_` and `-`."""
    since: datetime | None = Field(default=None, examples=["2026-01-01T00:00:00Z"])
    """Where the first window begins, of a source that is asked by time; left out, thirty days back."""
    lookback_hours: float = Field(default=48.0, ge=0, examples=["72"])
    """So much of what was read before is read again each night, for late and corrected rows."""
    retries: int = Field(default=2, ge=0, examples=["5"])
    """How often it is asked again where it cannot be reached."""
    retry_wait_s: float = Field(default=5.0, ge=0, examples=["30"])
    """The wait before it is asked again, doubled each time."""


class LakeConfig(_Source):
    """A folder that keeps the lake contract already, here or on an object store."""

    kind: Literal["lake"] = Field(examples=['"lake"'])
    """What it is."""
    place: Address = Field(examples=['"s3://depot/fleet"'])
    """The folder, as seen from the settings' own, or an object store's address."""
    options: Options = Field(default={}, examples=['{ endpoint = "http://127.0.0.1:9000", allow_http = "true" }'])
    """What an object store is told: `endpoint`, `region`, `allow_http` and the like."""
    tables: tuple[str, ...] = Field(default=(), examples=['["sites", "tanks"]'])
    """Tables of it that are read; left out, all but `labels`."""


class FilesConfig(_Source):
    """CSV and Parquet drops, here or on an object store."""

    kind: Literal["files"] = Field(examples=['"files"'])
    """What it is."""
    place: Address = Field(examples=['"/srv/fleet"'])
    """The folder, as seen from the settings' own, or an object store's address."""
    options: Options = Field(default={}, examples=['{ region = "eu-central-1" }'])
    """What an object store is told: `endpoint`, `region`, `allow_http` and the like."""
    tables: dict[str, FileTable] = Field(examples=['{ sites = { pattern = "sites.csv" } }'])
    """Tables of the contract that it has, a section each."""


class SqlConfig(_Source):
    """A database behind ADBC."""

    kind: Literal["sql"] = Field(examples=['"sql"'])
    """What it is."""
    driver: Literal["postgresql", "sqlite"] = Field(examples=['"postgresql"'])
    """Which database."""
    address: Address = Field(examples=['"env:HISTORIAN"'])
    """Its address, by reference where it has a password in it."""
    tables: dict[str, SqlTable] = Field(examples=['{ sales = { table = "sales", time_column = "ts_end" } }'])
    """Tables of the contract that it has, a section each."""
    tags: tuple[Tag, ...] = Field(default=(), examples=['[{ tag = "LVL", tank_id = "T1", column = "level_mm" }]'])
    """What the tags of its narrow and wide tables are."""
    tag_file: Path | None = Field(default=None, examples=['"tags.csv"'])
    """The same as CSV, its first line `tag,tank_id,meter_id,column,unit`."""
    tag_forms: tuple[TagForm, ...] = Field(
        default=(), examples=['[{ form = "T{no}_{signal}", tank_id = "T{no}", signals = { LVL = "level_mm" } }]']
    )
    """The same by schemes of names, a section each."""
    quality: Literal["words", "opc_da", "opc_ua"] = Field(default="opc_da", examples=['"words"'])
    """How qualities are written: classic OPC bytes, OPC UA status codes, or words."""
    quality_words: dict[str, str] = Field(default={}, examples=['{ fine = "good", broken = "bad" }'])
    """The source's words of quality, and what each is in the contract."""
    hold_s: float = Field(default=0.0, ge=0, examples=["900"])
    """With it, the level's instants make the readings, and other tags' last values hold for so long."""


class OpcuaConfig(_Source):
    """An OPC UA server with historical access."""

    kind: Literal["opcua"] = Field(examples=['"opcua"'])
    """What it is."""
    address: Address = Field(examples=['"opc.tcp://10.0.0.5:4840/plant"'])
    """Its endpoint."""
    user: str | None = Field(default=None, examples=['"reader"'])
    """Who reads; left out, nobody by name."""
    password: Reference | None = Field(default=None, examples=['"env:PLANT_PASSWORD"'])
    """Where the password is: `env:NAME` or `block:NAME`."""
    policy: Literal["None", "Aes128Sha256RsaOaep", "Basic256Sha256", "Aes256Sha256RsaPss"] = Field(
        default="None", examples=['"Basic256Sha256"']
    )
    """Security policy; with one that is not `None`, the three below say who is who."""
    mode: Literal["sign", "sign_and_encrypt"] = Field(default="sign_and_encrypt", examples=['"sign"'])
    """Whether what is said is signed alone, or encrypted, too; with a policy."""
    certificate: Path | None = Field(default=None, examples=['"opcua/tankdrift.der"'])
    """Our certificate, in DER or PEM, which the server has to trust."""
    private_key: Path | None = Field(default=None, examples=['"opcua/tankdrift-key.pem"'])
    """Its key, in DER or PEM."""
    key_password: Reference | None = Field(default=None, examples=['"env:PLANT_KEY_PASSWORD"'])
    """Where the password of the key is, if it has one: `env:NAME` or `block:NAME`."""
    server_certificate: Path | None = Field(default=None, examples=['"opcua/plant.der"'])
    """The server's certificate, as exported there: no other server is believed."""
    tags: tuple[Tag, ...] = Field(
        default=(), examples=['[{ tag = "ns=2;s=LVL", tank_id = "T1", column = "level_mm" }]']
    )
    """What its nodes are."""
    tag_file: Path | None = Field(default=None, examples=['"tags.csv"'])
    """The same as CSV, its first line `tag,tank_id,meter_id,column,unit`."""
    hold_s: float = Field(default=0.0, ge=0, examples=["900"])
    """With it, the level's instants make the readings, and other tags' last values hold for so long."""
    values_a_request: int = Field(default=5000, ge=2, examples=["1000"])
    """Values that are asked for at once."""
    timeout_s: float = Field(default=20.0, gt=0, examples=["60"])
    """How long an answer may take."""

    @model_validator(mode="after")
    def _whole_security(self) -> Self:
        named = {name: getattr(self, name) for name in ("certificate", "private_key", "server_certificate")}
        missing = [name for name, path in named.items() if path is None]
        if self.policy != "None" and missing:
            raise ValueError(f"policy {self.policy} needs {', '.join(missing)}")
        if self.policy == "None" and len(missing) < len(named):
            raise ValueError("certificates are of no use without policy; name the server's, such as Basic256Sha256")
        return self


class ModbusConfig(_Source):
    """A probe or controller that is asked over Modbus TCP."""

    kind: Literal["modbus"] = Field(examples=['"modbus"'])
    """What it is."""
    host: str = Field(examples=['"10.0.0.7"'])
    """Name or address of the device."""
    port: int = Field(default=502, examples=["1502"])
    """Its port."""
    every_s: float = Field(default=60.0, ge=1, examples=["30"])
    """How often `tankdrift record` asks."""
    timeout_s: float = Field(default=3.0, gt=0, examples=["10"])
    """How long an answer may take."""
    registers: tuple[Register, ...] = Field(examples=['[{ address = 0, tank_id = "T1", column = "level_mm" }]'])
    """What its registers hold."""


SourceConfig = Annotated[LakeConfig | FilesConfig | SqlConfig | OpcuaConfig | ModbusConfig, Field(discriminator="kind")]


class Operations(BaseSettings):
    """What stands at the head of `tankdrift.toml`."""

    model_config = SettingsConfigDict(
        env_prefix="TANKDRIFT_", extra="forbid", frozen=True, use_attribute_docstrings=True
    )

    lake: Path = Field(default=Path("lake"), examples=['"/srv/tankdrift/lake"'])
    """The folder that the sources fill; `TANKDRIFT_LAKE` in the environment goes before it."""
    out: Path = Field(default=Path("out"), examples=['"/srv/tankdrift/out"'])
    """The folder of results; `TANKDRIFT_OUT` in the environment goes before it."""
    run: dict[str, float] = Field(default={}, examples=["{ max_quarantine_pct = 5.0 }"])
    """The settings of a run, below."""
    stale_after_hours: float = Field(default=26.0, gt=0, examples=["4"])
    """A tank or a site's till that says nothing for longer is stale."""
    min_free_gb: float = Field(default=2.0, ge=0, examples=["20"])
    """Where less is free on the lake's disk, nothing is fetched."""
    lock_wait_s: float = Field(default=600.0, ge=0, examples=["60"])
    """How long a load or a run waits for another in the same folder."""
    sources: tuple[SourceConfig, ...] = Field(
        default=(), examples=['[{ name = "yard", kind = "lake", place = "yard" }]']
    )
    """Where data comes from, a section each."""
    watch: WatchConfig = Field(default=WatchConfig(), examples=["{ late_after_hours = 25 }"])
    """How the night is watched, below."""
    notices: NoticeConfig = Field(default=NoticeConfig(), examples=['{ report_url = "https://reports.example.org/" }'])
    """Who is told, below."""

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
            tables = [name for name in LAKE_TABLES if name != "labels"]
            raise ValueError(f"source {source.name}: the lake contract has no table {table}{near(table, tables)}")
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
                said = f"the contract's table {table} has no column {name}{near(name, LAKE_TABLES[table].columns())}"
                raise ValueError(f"source {source.name}: {said}")
            if column.unit is not None and not fits(column.unit, name):
                known = ", ".join(unit for unit in UNITS if fits(unit, name)) or "none"
                raise ValueError(
                    f"source {source.name}: unit {column.unit} does not measure {table}.{name} (units of it: {known})"
                )


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
    found = operations_of(path.read_bytes(), path)
    base = path.resolve().parent
    metrics = found.watch.metrics_file
    watch = found.watch.model_copy(update={"metrics_file": None if metrics is None else base / metrics})
    to = [one.model_copy(update={"words": one.words and _words_place(one.words, base)}) for one in found.notices.to]
    notices = found.notices.model_copy(update={"to": tuple(to)})
    places = {"lake": base / found.lake, "out": base / found.out, "sources": _placed(found, base)}
    return found.model_copy(update={**places, "watch": watch, "notices": notices})


def operations_of(content: bytes, path: Path) -> Operations:
    """Return the settings that a file's bytes say, with places as they stand there; `path` is for what is said of it.

    Raises
    ------
    ArgumentError
        As `read_operations` does.
    """
    given: dict[str, Any] = {}
    try:
        given = tomllib.loads(content.decode("utf-8"))
        return Operations(**given)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ArgumentError(f"{path}: {error}") from error
    except ValidationError as error:
        raise ArgumentError(f"{path}: {_said(error, given)}") from error
    except TankdriftError as error:
        raise ArgumentError(f"{path}: {error}") from error


def _words_place(file: Path, base: Path) -> Path:
    """Where a file of words lies: as seen from the settings' folder, or else among those that come with the code."""
    shipped = shared_dir() / file.name
    return shipped if file == Path(file.name) and shipped.is_file() and not (base / file).is_file() else base / file


def _said(error: ValidationError, given: Mapping[str, Any]) -> str:
    first = error.errors(include_input=False, include_url=False)[0]
    where = _where(first["loc"], given)
    said = first["msg"].removeprefix("Value error, ")
    if first["type"] == "extra_forbidden":
        said = f"there is no such setting{nearest(Operations, first['loc'])}"
    more = error.error_count() - 1
    return f"{where}{said}" + (f" (and {more} more)" if more else "")


def _where(steps: tuple[int | str, ...], given: Mapping[str, Any]) -> str:
    """The place of a setting in words, a source's by its name; nothing where what is said of it names the source."""
    if steps == ("sources",):
        return "" if isinstance(given.get("sources"), list) else "sources: "
    if steps[0] != "sources":
        return ".".join(map(str, steps)) + ": "
    number = int(steps[1])
    one = dict(enumerate(given.get("sources", ()))).get(number)
    name = one.get("name") if isinstance(one, dict) else None
    is_name = isinstance(name, str) and re.fullmatch(NAME, name)
    below = ".".join(map(str, steps[3:]))  # between them is the kind, which the section says
    return f"source {name if is_name else number + 1}" + (f", {below}: " if below else ": ")


def _placed(found: Operations, base: Path) -> tuple[SourceConfig, ...]:
    return tuple(source.model_copy(update=dict(_own_places(source, base))) for source in found.sources)


def _own_places(source: SourceConfig, base: Path) -> Iterator[tuple[str, str | Path]]:
    """A source's places on this machine, as seen from a folder."""
    if isinstance(source, LakeConfig | FilesConfig) and ":" not in source.place:
        yield "place", str(base / source.place)
    for name in type(source).model_fields:
        path = getattr(source, name)
        if isinstance(path, Path):
            yield name, base / path
