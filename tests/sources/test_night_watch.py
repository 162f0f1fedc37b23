"""Kind of evidence: contract, against a real receiver and another library's parser. The night itself is told of."""

from datetime import UTC, datetime, timedelta

import pytest
from prometheus_client.parser import text_string_to_metric_families

from pipeline.doctor import examine
from pipeline.nightly import finish_night, late_night, run_night, tell
from pipeline.sources.collect import Collected
from pipeline.sources.config import read_operations
from tests.support.lakes import START, tiny_lake, write
from tests.support.servers import receiver

SOON = START + timedelta(days=3, hours=1)
"""Soon after the tiny lake's last readings: one in the morning, by UTC."""

SETTINGS = """
min_free_gb = 0
[watch]
late_after_hours = 25
metrics_file = "watch/tankdrift.prom"
[[sources]]
name = "yard"
kind = "lake"
place = "yard"
[[sources]]
name = "away"
kind = "files"
place = "nowhere"
[sources.tables.events]
pattern = "*.csv"
[[notices.to]]
role = "operations"
url = "env:TEST_OPERATIONS"
at_once = []
digest = []
night = ["started", "finished", "failed", "stale", "late"]
[[notices.to]]
role = "sleeper"
url = "env:TEST_SLEEPER"
at_once = []
digest = []
night = ["started", "failed"]
quiet_from = "22:00"
quiet_to = "06:00"
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """A night one of whose sources is not there."""
    place = tmp_path_factory.mktemp("watch")
    write(place / "yard", tiny_lake())
    (place / "tankdrift.toml").write_text(SETTINGS)
    with receiver() as (url, said), receiver() as (other, sleeper), pytest.MonkeyPatch.context() as patch:
        for name in ("TANKDRIFT_LAKE", "TANKDRIFT_OUT"):
            patch.delenv(name, raising=False)
        patch.setenv("TEST_OPERATIONS", url)
        patch.setenv("TEST_SLEEPER", other)
        operations = read_operations(place / "tankdrift.toml")
        told = run_night(operations, now=SOON)
        yield operations, told, said, sleeper


def _taken(said):
    found = [(one["title"], one["message"]) for one in said]
    said.clear()
    return found


def test_it_is_told_what_a_night_came_to_and_again_only_what_is_new(night):
    operations, told, said, sleeper = night
    titles = [title for title, _ in _taken(said)]
    assert titles == [
        "tankdrift: the night has started",
        f"tankdrift: the night is done, {told.outcome.cases['cases'].sum()} cases",
        "tankdrift: the night failed in 1 parts",
    ]
    assert tell(operations, now=SOON + timedelta(hours=1)) == []
    assert _taken(sleeper) == []
    tell(operations, now=SOON + timedelta(hours=6))
    [(title, body)] = _taken(sleeper)
    assert title == "tankdrift: the night failed in 1 parts"
    assert "nowhere: there is no such folder" in body
    assert (_taken(said), tell(operations, now=SOON + timedelta(hours=7))) == ([], [])


def test_a_night_that_did_not_come_is_told_once(night):
    operations, _, said, _ = night
    _taken(said)
    later = SOON + timedelta(hours=26)
    assert late_night(operations, now=SOON + timedelta(hours=24)) is None
    assert late_night(operations, now=later) == "no night since 2024-04-01 01:00 UTC"
    tell(operations, now=later)
    tell(operations, now=later + timedelta(hours=1))
    assert [title for title, _ in _taken(said)] == ["tankdrift: no night since 2024-04-01 01:00 UTC"]


def test_tanks_that_fall_silent_are_told_once_and_again_when_others_do(night):
    operations, told, said, _ = night
    silent = [Collected("yard", "readings")]
    for hours in (30, 31):
        finish_night(operations, silent, now=SOON + timedelta(hours=hours), outcome=told.outcome)
    stale = [body for title, body in _taken(said) if title == "tankdrift: 3 tanks or tills are not fresh"]
    assert len(stale) == 1
    assert stale[0].splitlines()[0] == "S1 T1: readings stale, last 2024-03-31 23:45 UTC"


def test_its_figures_are_as_prometheus_reads_them(night):
    operations, told, _, _ = night
    finish_night(operations, told.collected, now=SOON, outcome=told.outcome)
    text = operations.watch.metrics_file.read_text(encoding="utf-8")
    found = {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }
    assert found["tankdrift_night_timestamp_seconds",] == datetime(2024, 4, 1, 1, tzinfo=UTC).timestamp()
    assert found["tankdrift_night_failures",] == 1
    assert found["tankdrift_rows_new", "yard", "readings"] == 576  # two tanks, three days, four an hour
    assert found["tankdrift_rows_new", "yard", "sales"] == 144
    assert found["tankdrift_refused_percent", "readings"] == 0
    assert found["tankdrift_not_fresh",] == 0


def test_the_doctor_says_when_nobody_would_hear_of_a_night_that_failed(tmp_path, monkeypatch):
    monkeypatch.setenv("TEST_OPERATIONS", "json://127.0.0.1/")
    settings = '[[notices.to]]\nrole = "desk"\nurl = "env:TEST_OPERATIONS"\n'
    for night, said in (("", ["nobody is told when a night fails"]), ('night = ["failed"]\n', [])):
        (tmp_path / "tankdrift.toml").write_text(settings + night)
        found = examine(tmp_path / "tankdrift.toml", now=SOON)
        assert [one.said for one in found if one.what == "notices of the night"] == said
