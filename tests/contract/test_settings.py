"""Kind of evidence: contract. Every setting has an example that it takes; a wrong key is answered with the nearest."""

import json
import re
import tomllib
from dataclasses import fields
from pathlib import Path

import jsonschema
import pytest
from pydantic import TypeAdapter

from pipeline.errors import ArgumentError
from pipeline.settings import Settings, settings_from
from pipeline.settings_reference import SECTIONS, json_schema, markdown
from pipeline.sources.config import read_operations
from pipeline.sources.known_keys import models_in
from tests.support.runs import ROOT

FIELDS = [(model, name) for model in SECTIONS.values() for name in model.model_fields]


def test_the_reference_is_current():
    assert (ROOT / "docs" / "settings.md").read_text(encoding="utf-8") == markdown()


def test_the_schema_is_current_and_takes_the_examples_of_the_docs():
    written = (ROOT / "docs" / "settings.schema.json").read_text(encoding="utf-8")
    assert written == json_schema()
    check = jsonschema.Draft202012Validator(json.loads(written))
    for page in (
        "README.md", "docs/operations.md", "docs/example-csv-chain.md", "docs/example-sql-historian.md",
    ):  # fmt: skip
        (settings,) = re.findall(r"```toml\n(.*?)```", (ROOT / page).read_text(encoding="utf-8"), re.DOTALL)
        said = json.loads(json.dumps(tomllib.loads(settings), default=str))
        assert [error.message for error in check.iter_errors(said)] == []
        assert list(check.iter_errors(said | {"lokc_wait_s": 3}))


def test_every_model_that_another_names_has_its_section():
    every = [one.annotation for model in SECTIONS.values() for one in model.model_fields.values()]
    named = {model for annotation in every for model in models_in(annotation)}
    assert named <= set(SECTIONS.values())


@pytest.mark.parametrize(("model", "name"), FIELDS)
def test_a_setting_has_its_meaning_and_an_example_that_it_takes(model, name):
    field = model.model_fields[name]
    (example,) = field.examples
    assert str(field.description).endswith(".")
    value = tomllib.loads(f"key = {example}")["key"]
    kept = TypeAdapter(field.annotation).validate_python(value)
    assert field.is_required() or kept != field.get_default()


def test_a_run_s_settings_have_examples_that_they_take():
    for one in fields(Settings):
        assert settings_from({one.name: float(one.metadata["example"])}) != Settings()


HEAD = '[[sources]]\nname = "a"\nkind = "sql"\ndriver = "sqlite"\naddress = "x.db"\n'
SALES = '[sources.tables.sales]\ntable = "s"\ntime_column = "t"\n'


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ("lokc_wait_s = 3\n", "lokc_wait_s: there is no such setting; did you mean lock_wait_s?"),
        (HEAD + "adress = 3\n" + SALES, "source a, adress: there is no such setting; did you mean address?"),
        (HEAD + SALES + 'timezon = "UTC"\n',
         "source a, tables.sales.timezon: there is no such setting; did you mean timezone?"),
        (HEAD + SALES + '[sources.tables.sales.columns.volume_l]\ncolum = "v"\n',
         "source a, tables.sales.columns.volume_l.colum: there is no such setting; did you mean column?"),
        ('[[notices.to]]\nrole = "x"\nurl = "env:X"\nquiet_form = "22:00"\n',
         "notices.to.0.quiet_form: there is no such setting; did you mean quiet_from?"),
        ("[notices]\nxyzzy = 1\n",
         "notices.xyzzy: there is no such setting; there are desk_url, report_url, severities, to"),
    ],
)  # fmt: skip
def test_a_key_that_there_is_not_is_answered_with_the_nearest(tmp_path: Path, settings, said):
    (tmp_path / "tankdrift.toml").write_text(settings)
    with pytest.raises(ArgumentError) as caught:
        read_operations(tmp_path / "tankdrift.toml")
    assert str(caught.value).endswith(said)


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ("sources = [3]\n", "source 1: Input should be a valid dictionary"),
        ('[sources]\nname = "a"\n', "sources: Input should be a valid tuple"),
        ('[[sources]]\nname = "fen-orchard 12"\nkind = "lake"\nplace = "x"\n', "source 1, name: String should match"),
        ('[[sources]]\nname = "a"\nkind = "lak"\n', "source a: Input tag 'lak' found using 'kind' does not match"),
    ],
)
def test_a_source_is_called_by_its_name_where_it_has_one(tmp_path: Path, settings, said):
    (tmp_path / "tankdrift.toml").write_text(settings)
    with pytest.raises(ArgumentError) as caught:
        read_operations(tmp_path / "tankdrift.toml")
    assert f"tankdrift.toml: {said}" in str(caught.value)
    assert "fen-orchard" not in str(caught.value)


def test_a_setting_of_a_run_that_there_is_not_is_answered_with_the_nearest():
    with pytest.raises(ArgumentError, match=r"there is no setting 'max_quarantine'; did you mean max_quarantine_pct\?"):
        settings_from({"max_quarantine": 5.0})
