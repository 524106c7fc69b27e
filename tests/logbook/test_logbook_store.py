"""What is stored comes back, on SQLite and on PostgreSQL, whatever is done to the logbook and in whatever order."""

from __future__ import annotations

import multiprocessing
import os
import sqlite3
import stat
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import made_trials
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test
from logbook_server import emptied, server_url

from clackcount.errors import FailedError, LogbookError, QuantityError
from clackcount.logbook import exchange, migrations, schema
from clackcount.logbook.place import data_folder, url_of
from clackcount.logbook.records import SETTINGS, Setting, Trial
from clackcount.logbook.store import Logbook, new_uid
from support.killed_writers import kill_writers

OLD_LAYOUTS = sorted(Path(__file__).parent.glob("layout_*.sql"))
quick = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


class Broken(Exception):
    """Thrown between two statements of a transaction."""


class Story(RuleBasedStateMachine):
    """Random adds, removals, imports, reopenings and breaks between statements, beside a plain dict of what was
    acknowledged."""

    url_kind = "sqlite"

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.url = f"sqlite:///{self.folder.name}/logbook.sqlite"
        if self.url_kind == "postgresql":
            self.url = emptied(server_url())
        self.book = Logbook(self.url)
        self.trials: dict[int, Trial] = {}
        self.events: dict[str, object] = {}

    def teardown(self) -> None:
        self.book.close()
        self.folder.cleanup()

    @rule(trial=made_trials.trials)
    def add(self, trial):
        stored = self.book.add(trial)
        assert stored == replace(trial, number=stored.number)
        assert stored.number not in self.trials  # the number of a removed trial, too
        self.trials[stored.number] = stored

    @rule(
        trial=made_trials.trials,
        after=st.sampled_from(["clackcount_trial", "clackcount_setting", "clackcount_catch"]),
    )
    def break_an_add(self, trial, after):
        """A fault after any statement of an add leaves nothing of it."""
        import sqlalchemy as sa

        def strike(connection, cursor, statement, *_):
            if f"clackcount{after}" in statement and statement.startswith("INSERT"):
                raise Broken

        engine = self.book._database._engine
        sa.event.listen(engine, "after_cursor_execute", strike)
        try:
            stored = self.book.add(trial)
            self.trials[stored.number] = stored  # that table had no row in this trial
        except Broken:
            pass
        finally:
            sa.event.remove(engine, "after_cursor_execute", strike)

    @precondition(lambda self: any(not each.removed_at for each in self.trials.values()))
    @rule(data=st.data())
    def remove(self, data):
        number = data.draw(st.sampled_from(sorted(n for n, t in self.trials.items() if not t.removed_at)))
        self.trials[number] = self.book.remove(number)
        assert self.trials[number].removed_at
        with pytest.raises(LogbookError, match="removed already"):
            self.book.remove(number)

    @precondition(lambda self: self.trials)
    @rule(data=st.data(), result=made_trials.results)
    def put_new_result(self, data, result):
        number = data.draw(st.sampled_from(sorted(self.trials)))
        self.book.set_result(number, result)
        self.trials[number] = replace(self.trials[number], result=result)

    @rule(event=made_trials.events)
    def note(self, event):
        if event.uid not in self.events:
            self.book.note_event(event)
            self.events[event.uid] = event

    @rule(trials=st.lists(made_trials.trials, max_size=3, unique_by=lambda trial: trial.uid))
    def take_in(self, trials):
        if {trial.uid for trial in trials} & {trial.uid for trial in self.trials.values()}:
            return
        assert self.book.merge(trials, [])[0] == len(trials)
        for trial in trials:
            here = next(each for each in self.book.trials(removed=True, whole=True) if each.uid == trial.uid)
            self.trials[here.number] = replace(trial, number=here.number)

    @rule()
    def take_in_itself(self):
        everything = (self.book.trials(removed=True, whole=True), self.book.events())
        assert self.book.merge(*everything) == (0, 0, 0)

    @rule()
    def open_anew(self):
        self.book.close()
        self.book = Logbook(self.url)

    @invariant()
    def all_that_was_acknowledged_is_there_and_nothing_else(self):
        found = self.book.trials(removed=True, whole=True)
        assert {trial.number: trial for trial in found} == self.trials
        assert {event.uid: event for event in self.book.events()} == self.events
        kept = [number for number, trial in self.trials.items() if not trial.removed_at]
        assert sorted(trial.number for trial in self.book.trials()) == sorted(kept)

    @rule()
    def both_exports_come_back_exactly(self):
        trials, events = exchange.in_order(self.book.trials(removed=True, whole=True)), self.book.events()
        for write in (exchange.to_json, exchange.to_csv):
            text = write(trials, events)
            assert exchange.read(text) == (trials, events)
            with Logbook("sqlite://") as other:
                other.merge(*exchange.read(text))
                again = write(exchange.in_order(other.trials(removed=True, whole=True)), other.events())
            assert again == text


def test_any_story_on_sqlite():
    run_state_machine_as_test(Story, settings=settings(max_examples=10, stateful_step_count=15, deadline=None))


def test_any_story_on_postgresql():
    server_url()

    class OnServer(Story):
        url_kind = "postgresql"

    run_state_machine_as_test(OnServer, settings=settings(max_examples=6, stateful_step_count=12, deadline=None))


@quick
@given(given=st.text(st.characters(), max_size=40))
def test_text_that_no_database_can_hold_is_made_storable(given):
    with Logbook("sqlite://") as book:
        stored = book.add(replace(made_trials.trial([0.6]), uid=new_uid(), note=given + "\x00\ud800"))
        assert book.get(stored.number) == stored
        assert stored.note.startswith(given.replace("\x00", "").encode("utf-8", "replace").decode())


def test_trials_are_listed_by_time_and_site(book):
    late = book.add(made_trials.trial([0.5], at="2026-04-01T08:00:00Z"))
    early = book.add(made_trials.trial([0.6], at="2026-03-01T08:00:00Z"))
    other = book.add(made_trials.trial([0.7], at="2026-03-15T08:00:00Z", site="Lower weir"))
    assert [trial.number for trial in book.trials()] == [early.number, other.number, late.number]
    assert [trial.number for trial in book.trials(site="Lower weir")] == [other.number]
    assert [trial.number for trial in book.trials(numbers=[late.number])] == [late.number]


def test_importing_a_trial_with_other_contents_is_refused_and_changes_nothing(book):
    stored = book.add(made_trials.trial([0.6]))
    stranger = made_trials.trial([0.9])
    with pytest.raises(LogbookError, match="same identity and different contents"):
        book.merge([stranger, replace(stored, note="another story")], [])
    assert book.trials(whole=True) == [stored]


def test_a_number_that_is_taken_gives_way_on_import(book):
    book.add(made_trials.trial([0.6]))
    stranger = replace(made_trials.trial([0.9]), number=1)
    assert book.merge([stranger], []) == (1, 0, 0)
    assert [trial.number for trial in book.trials(removed=True)] == [1, 2]


def test_a_tombstone_travels(book):
    stored = book.add(made_trials.trial([0.6]))
    assert book.merge([replace(stored, removed_at="2026-03-02T00:00:00Z")], []) == (0, 0, 1)
    assert book.trials() == []
    assert book.get(stored.number).removed_at == "2026-03-02T00:00:00Z"


def _add_some(url: str, n: int) -> None:
    with Logbook(url) as book:
        for _ in range(n):
            book.add(made_trials.trial([0.6]))


def test_processes_may_write_at_once_even_while_the_logbook_is_made(url):
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=_add_some, args=(url, 15)) for _ in range(3)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(60)
    assert [writer.exitcode for writer in writers] == [0, 0, 0]
    with Logbook(url) as book:
        assert [trial.number for trial in sorted(book.trials(), key=lambda t: t.number)] == list(range(1, 46))


# --- layouts -------------------------------------------------------------------------------------------------------


def old_file(script: Path, folder: Path) -> Path:
    path = folder / "logbook.sqlite"
    connection = sqlite3.connect(path)
    connection.executescript(script.read_text(encoding="utf-8"))
    connection.close()
    return path


def columns(path: Path) -> dict[str, list[tuple[str, str, int]]]:
    connection = sqlite3.connect(path)
    names = [
        row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
    ]
    found = {n: [(r[1], r[2], r[3]) for r in connection.execute(f"PRAGMA table_info({n})")] for n in names}
    connection.close()
    return found


def test_there_is_an_old_file_of_every_layout():
    assert len(OLD_LAYOUTS) == schema.VERSION - 1
    assert set(migrations.STEPS) == set(range(1, schema.VERSION))


@pytest.mark.parametrize("script", OLD_LAYOUTS, ids=lambda path: path.stem)
def test_an_old_file_is_migrated_and_a_copy_of_it_kept(script, tmp_path):
    path = old_file(script, tmp_path)
    before = columns(path)
    with Logbook(f"sqlite:///{path}") as book:
        (trial,) = book.trials(whole=True)
        assert (trial.number, trial.note) == (1, "first try, leaves in the strainer")
        assert [each.given for each in trial.catches] == ["0.6 L in 60.0 s", "0.62 L in 60.0 s"]
        book.note_event(_event())
        assert len(book.events()) == 1
    version = script.stem.removeprefix("layout_")
    kept = path.with_name(f"logbook.sqlite.layout-{version}")
    assert columns(kept) == before
    fresh = tmp_path / "fresh.sqlite"
    Logbook(f"sqlite:///{fresh}").close()
    assert columns(path) == columns(fresh)


def _event():
    from clackcount.logbook.records import Event

    return Event(new_uid(), "Fern Hollow", "2026-03-05T10:00:00Z", "repair", "new rubber")


def test_a_migration_that_breaks_leaves_the_old_file_as_it_was(tmp_path, monkeypatch):
    path = old_file(OLD_LAYOUTS[0], tmp_path)
    before = columns(path)

    def breaks(connection):
        migrations._add_events(connection)
        raise Broken

    monkeypatch.setitem(migrations.STEPS, 1, breaks)
    with pytest.raises(Broken):
        Logbook(f"sqlite:///{path}")
    assert columns(path) == before


def test_a_newer_layout_is_refused_with_both_versions_named(tmp_path):
    path = tmp_path / "logbook.sqlite"
    Logbook(f"sqlite:///{path}").close()
    connection = sqlite3.connect(path)
    connection.execute("UPDATE clackcount_meta SET value = '99'")
    connection.commit()
    connection.close()
    with pytest.raises(LogbookError, match=f"layout 99, and this clackcount knows layouts up to {schema.VERSION}"):
        Logbook(f"sqlite:///{path}")


# --- what goes wrong ---


def test_a_file_of_something_else_is_left_alone(tmp_path):
    other = tmp_path / "recipes.sqlite"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE soup (name TEXT)")
    connection.close()
    with pytest.raises(LogbookError, match="database of something else"):
        Logbook(f"sqlite:///{other}")
    assert list(columns(other)) == ["soup"]
    text = tmp_path / "notes.txt"
    text.write_text("stroke 12 mm was better, I think\n" * 50)
    with pytest.raises(LogbookError, match="is not a logbook"):
        Logbook(f"sqlite:///{text}")


@pytest.mark.parametrize(("url", "kind", "words"), [
    ("nonsense://", LogbookError, "driver for this database is not installed"),
    ("sqlite:////proc/none/logbook.sqlite", FailedError, "proc/none"),
    ("no url at all", LogbookError, "is no place for a logbook"),
])  # fmt: skip
def test_a_place_that_cannot_be_used_is_named(url, kind, words):
    with pytest.raises(kind, match=words):
        Logbook(url)


def test_a_missing_trial_is_named(book):
    with pytest.raises(LogbookError, match="there is no trial 7"):
        book.get(7)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_logbook_that_may_not_be_written_says_so(tmp_path):
    path = tmp_path / "logbook.sqlite"
    Logbook(f"sqlite:///{path}").close()
    path.chmod(stat.S_IRUSR)
    with Logbook(f"sqlite:///{path}") as book, pytest.raises(FailedError, match="readonly"):
        book.add(made_trials.trial([0.6]))


@pytest.mark.parametrize(("text", "words"), [
    ("stroke", "is not name=value"), ("stroke=", "is not name=value"), ("colour=red", "is not known here"),
    ("stroke=12", "has no unit"), ("weight=3 mm", "is not a mass"), ("stroke=0 mm", "not more than nothing"),
])  # fmt: skip
def test_a_setting_that_cannot_be_read_is_named(text, words):
    with pytest.raises(QuantityError, match=words):
        Setting.read(text, SETTINGS)


def test_a_setting_keeps_what_was_typed_beside_si():
    setting = Setting.read("stroke=1/2 in", SETTINGS)
    assert (setting.given, setting.value, setting.unit) == ("1/2 in", pytest.approx(0.0127), "m")
    assert Setting.read("spring=two turns in", SETTINGS).value is None


@pytest.mark.parametrize(("env", "platform", "folder"), [
    ({"HOME": "/somewhere/a"}, "linux", "/somewhere/a/.local/share/clackcount"),
    ({"HOME": "/somewhere/a", "XDG_DATA_HOME": "/data"}, "linux", "/data/clackcount"),
    ({"HOME": "/somewhere/a", "XDG_DATA_HOME": "relative"}, "linux", "/somewhere/a/.local/share/clackcount"),
    ({"HOME": "/somewhere/a"}, "darwin", "/somewhere/a/Library/Application Support/clackcount"),
    ({"HOME": "/somewhere/a", "LOCALAPPDATA": "/somewhere/a/Local"}, "win32", "/somewhere/a/Local/clackcount"),
])  # fmt: skip
def test_the_usual_place_follows_the_xdg_base_directory_specification_and_its_like(env, platform, folder):
    # XDG Base Directory Specification 0.8: $HOME/.local/share by default; a relative path is to be ignored.
    assert data_folder(env, platform) == Path(folder)


def test_a_path_or_a_url_or_the_variable_names_the_logbook(monkeypatch, tmp_path):
    monkeypatch.setenv("CLACKCOUNT_LOGBOOK", str(tmp_path / "mine.sqlite"))
    assert url_of() == f"sqlite:///{tmp_path / 'mine.sqlite'}"
    assert url_of("postgresql+psycopg://h/d") == "postgresql+psycopg://h/d"
    assert url_of(str(tmp_path / "x")) == f"sqlite:///{tmp_path / 'x'}"


@pytest.mark.parametrize(("text", "words"), [
    ("{", "not readable as JSON"), ('{"schema": "other"}', "says it is “other”"), ("a,b\n1,2\n", "lacks the column"),
    ('{"schema": "clackcount.logbook/1", "trials": [{"uid": "x"}], "events": []}', "a trial that cannot be read"),
])  # fmt: skip
def test_an_import_that_is_no_export_is_refused(text, words):
    with pytest.raises(LogbookError, match=words):
        exchange.read(text)


def test_csv_shows_settings_in_si_for_a_spreadsheet():
    import csv
    import io

    text = exchange.to_csv([made_trials.trial([0.6], stroke_mm=12, figures={"rate_per_min": (62.0, 0.1)})], [])
    (row,) = csv.DictReader(io.StringIO(text, newline=""))
    assert (row["stroke_si"], row["rate_per_min"], row["weight_si"]) == ("0.012", "62.0", "")
    assert Counter(exchange.COLUMNS).most_common(1)[0][1] == 1


# --- kill -9 (a thousand of them: tests/benchmarks/kills.py) ---


def test_nothing_acknowledged_is_lost_when_writers_are_killed(url, tmp_path):
    left = kill_writers(url, tmp_path, 12, seed=3)
    assert left.n_killed_at_work >= 10
    assert len(left.acknowledged) >= 6
    assert left.acknowledged <= left.found
    assert left.broken == set()
