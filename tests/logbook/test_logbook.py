"""The logbook: written down, struck out with a reason, never removed, never altered."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from pullwatch.errors import LogbookError
from pullwatch.logbook import ITEMS, Logbook
from pullwatch.logbook.exchanging import export, read_in
from pullwatch.logbook.store import Store
from pullwatch.logbook.tables import COMMON, KINDS, MIGRATIONS
from pullwatch.logbook.times import exact, in_words, read_time
from pullwatch.review.runs import Correction

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NOW = 1_764_000_000_123_456_789
HOUR = 3_600_000_000_000
TIMES = {"60 ft": 1.95, "330 ft": 5.40, "660 ft": 8.25, "1000 ft": 10.70, "1320 ft": 12.78}
SPEEDS = {"660 ft": 141.0, "1320 ft": 178.0}


class Clock:
    """A wall clock by hand: a second later at every look."""

    def __init__(self) -> None:
        self.at = NOW

    def __call__(self) -> int:
        """Return the time, and let a second go by."""
        self.at += 1_000_000_000
        return self.at


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    """Return a logbook with the copper hatch in it."""
    with Logbook(tmp_path / "book" / "logbook.sqlite", now=Clock()) as made:
        made.add_car("copper hatch", fuel="E10", mass_kg=1_240)
        yield made


def filled(book: Logbook, tmp_path: Path) -> None:
    """Write one row of every kind."""
    photo = tmp_path / "plug.jpg"
    photo.write_bytes(b"a picture")
    book.add_change(None, "wastegate_duty", "35")
    book.add_change(None, "fuel", "2", speed=(5_200, 6_400), pressure=(160, 200), note='by "hand", twice')
    slip = book.add_slip(None, TIMES, SPEEDS, reaction=0.412)
    book.pair_slip(slip, "2026-11-25_20-00-00_copper-hatch", 2)
    book.add_weather(None, temperature=21.5, humidity=40, pressure=989.0, kind="station", altitude=210)
    book.add_oil(None, {"iron": (18.0, "ppm"), "viscosity_100": (12.9, "mm2/s")}, oil="5W-40", distance_km=2_100)
    book.add_note(None, "three blocks at half past eight", session="evening", run=2)
    book.add_note(None, "", photo=str(photo))
    book.add_correction(None, "evening", 5_000_000_000, "class", "pass")


def test_what_is_written_down_comes_back_as_the_answers_take_it(book: Logbook, tmp_path: Path) -> None:
    """Every kind, with its units and in order of time."""
    filled(book, tmp_path)
    given = book.given("copper hatch")
    duty, fuel = given.changes
    assert (duty.item, duty.was, duty.now, duty.unit, duty.speed) == ("wastegate_duty", "", "35", "%", None)
    assert (fuel.speed, fuel.pressure) == ((5_200.0, 6_400.0), (160.0, 200.0))
    assert fuel.line() == 'fuel: 2 % (5,200 to 6,400 rpm, 160 to 200 kPa absolute) - by "hand", twice'
    (slip,) = given.slips
    assert (slip.times, slip.speeds, slip.reaction) == (TIMES, SPEEDS, 0.412)
    assert (slip.session, slip.run) == ("2026-11-25_20-00-00_copper-hatch", 2)
    assert given.slip_of(slip.session, 2) == slip
    assert given.slip_of(slip.session, 1) is None
    (air,) = given.weather
    assert (air.temperature, air.pressure, air.kind) == (21.5, 989.0, "station")
    (oil,) = given.oil
    assert oil.figures == {"iron": (18.0, "ppm"), "viscosity_100": (12.9, "mm2/s")}
    assert [note.text for note in given.notes] == ["three blocks at half past eight", "plug.jpg"]
    assert given.notes[1].photo == str(tmp_path / "plug.jpg")
    assert given.corrections == (Correction("evening", 5_000_000_000, "class", "pass"),)


def test_a_change_knows_what_was_before_and_the_state_is_the_last_of_each(book: Logbook) -> None:
    """By item and by where in the map; the state of an earlier time too."""
    book.add_change(None, "wastegate_duty", "35", at=NOW - 3 * HOUR)
    book.add_change(None, "wastegate_duty", "37", at=NOW - 2 * HOUR)
    book.add_change(None, "timing", "-1", speed=(5_000, 6_000), at=NOW - HOUR)
    assert [one.was for one in book.changes("copper hatch")] == ["", "35", ""]
    state = book.state("copper hatch")
    assert {(key[0], one.now) for key, one in state.items()} == {("wastegate_duty", "37"), ("timing", "-1")}
    (earlier,) = book.state("copper hatch", NOW - 2 * HOUR - 1).values()
    assert earlier.now == "35"
    assert book.given("copper hatch").changed_between(NOW - 3 * HOUR, NOW - HOUR)[0].now == "37"


def test_the_pick_list_shows_the_last_value_and_a_step_either_way(book: Logbook) -> None:
    """Clipped to what can be; texts have no step."""
    book.add_change(None, "wastegate_duty", "99.5")
    book.add_change(None, "plugs", "one colder")
    picks = {pick.item.name: pick for pick in book.pick_list()}
    assert list(picks) == list(ITEMS)
    assert (picks["wastegate_duty"].last, picks["wastegate_duty"].less, picks["wastegate_duty"].more) == (
        "99.5",
        "98.5",
        "100",
    )
    assert (picks["plugs"].last, picks["plugs"].more) == ("one colder", "")
    assert picks["timing"].last == ""


@pytest.mark.parametrize(
    ("item", "value", "more", "word"),
    [
        ("wastegate_dut", "35", {}, 'did you mean "wastegate_duty"'),
        ("wastegate_duty", "much", {}, "is no number"),
        ("wastegate_duty", "135", {}, "0 to 100 % is expected"),
        ("wastegate_duty", "nan", {}, "0 to 100 % is expected"),
        ("wastegate_duty", " ", {}, "changed to what"),
        ("wastegate_duty", "35", {"was": "x"}, "is no number"),
        ("plugs", "colder", {"speed": (1.0, 2.0)}, "has no range"),
        ("fuel", "2", {"speed": (6_000.0, 5_000.0)}, "the lower one first"),
        ("other", "it", {}, "say in the note"),
        ("fuel", "2", {"at": NOW + 50 * HOUR}, "more than a day ahead"),
    ],
)
def test_a_change_that_cannot_be_is_refused_in_words(
    book: Logbook, item: str, value: str, more: dict[str, object], word: str
) -> None:
    """And nothing is written."""
    with pytest.raises(LogbookError, match=word):
        book.add_change(None, item, value, **more)  # type: ignore[arg-type]  # one of several keywords each time
    assert book.changes("copper hatch") == ()


def test_a_slip_that_cannot_be_is_never_kept_and_a_doubtful_one_only_if_asked(book: Logbook) -> None:
    """Times out of order are refused for good; a speed that does not fit can be kept, and its note says so."""
    with pytest.raises(LogbookError, match="two numbers are in the wrong places"):
        book.add_slip(None, {"60 ft": 8.25, "660 ft": 1.95}, anyway=True)
    with pytest.raises(LogbookError, match="does not fit its times"):
        book.add_slip(None, TIMES, {"1320 ft": 110.6})
    with pytest.raises(LogbookError, match="at least 2 numbers"):
        book.add_slip(None, {"60 ft": 1.95})
    with pytest.raises(LogbookError, match="shows no speed at"):
        book.add_slip(None, TIMES, {"60 ft": 60.0})
    book.add_slip(None, TIMES, {"1320 ft": 110.6}, anyway=True)
    assert "kept though 110.6 km/h at 1320 ft does not fit" in book.given("copper hatch").slips[0].note


def test_a_pressure_says_of_which_kind_it_is(book: Logbook) -> None:
    """Typed pressures are usually those of the sea level, a fifth off at 1,600 m: it is asked."""
    with pytest.raises(LogbookError, match="of which kind"):
        book.add_weather(None, pressure=1013.0)
    with pytest.raises(LogbookError, match="cannot be: 500 to 1100 hPa"):
        book.add_weather(None, pressure=29.92, kind="station")  # inches of mercury
    with pytest.raises(LogbookError, match="at least one figure"):
        book.add_weather(None)
    book.add_weather(None, temperature=20.0)
    assert book.given("copper hatch").weather[0].pressure is None


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda book: book.add_oil(None, {}), "at least one figure"),
        (lambda book: book.add_oil(None, {"iron": (float("nan"), "ppm")}), "is no number"),
        (lambda book: book.add_note(None, "  "), "needs words"),
        (lambda book: book.add_note(None, "", photo="/nowhere/a.jpg"), "is no file"),
        (lambda book: book.add_correction(None, "evening", 0, "class", "sprint"), "expected one of"),
        (lambda book: book.add_car("copper hatch"), "already"),
        (lambda book: book.add_car(" "), "needs a name"),
        (lambda book: book.add_car("other", mass_kg=3), "100 to 10000 kg"),
        (lambda book: book.add_note("copper hutch", "x"), 'did you mean "copper hatch"'),
        (lambda book: book.strike("ffffffff", "x"), "no row"),
        (lambda book: book.pair_slip("ffffffff", "evening", 1), "no row"),
    ],
)
def test_what_cannot_be_is_refused_in_words(book: Logbook, call: object, word: str) -> None:
    """Each with what was expected."""
    with pytest.raises(LogbookError, match=word):
        call(book)  # type: ignore[operator]  # a function of the logbook


def test_which_car_is_meant_is_asked_once_there_are_two(book: Logbook, tmp_path: Path) -> None:
    """The only one needs no name; none at all says how to add one."""
    book.add_note(None, "one car")
    book.add_car("blue saloon")
    with pytest.raises(LogbookError, match=r"several cars: copper hatch, blue saloon\. Say which with --car"):
        book.add_note(None, "which?")
    book.add_note("blue saloon", "this one")
    assert [note.text for note in book.given("copper hatch").notes] == ["one car"]
    with Logbook(tmp_path / "empty.sqlite") as empty, pytest.raises(LogbookError, match="logbook add car NAME"):
        empty.add_note(None, "x")


# ---- nothing is lost -------------------------------------------------------------------------------------------------


def test_a_row_struck_out_stays_with_its_reason(book: Logbook) -> None:
    """It counts no more, and is listed when asked for; once only, and never without a reason."""
    uid = book.add_change(None, "wastegate_duty", "53")
    with pytest.raises(LogbookError, match="say why"):
        book.strike(uid, " ")
    book.strike(uid[:8], "typed wrong")
    assert book.changes("copper hatch") == ()
    (row,) = book.rows("change", struck=True)
    assert (row["value"], row["struck_why"]) == ("53", "typed wrong")
    assert row["struck"] > row["written"]
    with pytest.raises(LogbookError, match='struck out already: "typed wrong"'):
        book.strike(uid, "again")
    book.add_change(None, "wastegate_duty", "35")
    assert book.changes("copper hatch")[0].was == ""


def test_the_file_itself_refuses_to_forget_or_to_alter(book: Logbook, tmp_path: Path) -> None:
    """Whoever opens it with another program cannot delete or change a row of any kind."""
    filled(book, tmp_path)
    with closing(sqlite3.connect(book.path)) as file:
        for kind in KINDS:
            with pytest.raises(sqlite3.IntegrityError, match="struck out, never removed"):
                file.execute(f"DELETE FROM {kind}")
            with pytest.raises(sqlite3.IntegrityError, match="struck out, never altered"):
                file.execute(f"UPDATE {kind} SET at = at + 1")
        file.rollback()


def test_together_is_all_or_nothing(book: Logbook) -> None:
    """A failure within leaves the file as it was."""

    def two() -> None:
        with book.together():
            book.add_note(None, "first")
            book.add_note("nobody's", "second")

    with pytest.raises(LogbookError, match="nobody's"):
        two()
    assert book.given("copper hatch").notes == ()


def test_two_programs_write_into_one_logbook(book: Logbook) -> None:
    """The phone page and a terminal: each sees what the other wrote."""
    with Logbook(book.path) as other:
        other.add_note(None, "from the phone")
        book.add_note(None, "from the terminal")
        assert len(other.given("copper hatch").notes) == 2
    with closing(sqlite3.connect(book.path, timeout=0)) as busy:
        busy.execute("BEGIN IMMEDIATE")
        book._store._file.execute("PRAGMA busy_timeout = 0")
        with pytest.raises(LogbookError, match="Another program may be writing"):
            book.add_note(None, "not now")
        busy.rollback()
    book.add_note(None, "now")


def test_the_logbook_is_one_file(book: Logbook) -> None:
    """Nothing lies beside it that a copy could miss."""
    book.add_note(None, "x")
    assert [path.name for path in book.path.parent.iterdir()] == ["logbook.sqlite"]


# ---- the file --------------------------------------------------------------------------------------------------------


def test_an_older_file_is_brought_up_and_kept_as_it_was(tmp_path: Path) -> None:
    """Each script once, in order; the rows stay; a copy of the old file stands beside it."""
    path = tmp_path / "logbook.sqlite"
    with Logbook(path) as book:
        book.add_car("copper hatch")
    later = (*MIGRATIONS, "ALTER TABLE car ADD COLUMN colour TEXT;", "CREATE TABLE more (x TEXT) STRICT;")
    for _ in range(2):
        store = Store(path, later)
        assert store.rows("car")[0]["car"] == "copper hatch"
        assert "colour" in store.rows("car")[0]
        store.close()
    copy = path.with_name("logbook.sqlite.version-1")
    with Logbook(copy) as old:
        assert [car.name for car in old.cars()] == ["copper hatch"]
    with pytest.raises(LogbookError, match="is of version 3, this pullwatch knows 1"):
        Logbook(path)


def test_a_migration_that_fails_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    """Half a migration is none."""
    path = tmp_path / "logbook.sqlite"
    Logbook(path).close()
    with pytest.raises(LogbookError):
        Store(path, (*MIGRATIONS, "CREATE TABLE more (x TEXT); CREATE TABLE more (x TEXT);"))
    with Logbook(path) as book:
        assert book.cars() == []


def test_what_is_no_logbook_is_refused_and_left_alone(tmp_path: Path) -> None:
    """Another program's database, a text, a folder that cannot be."""
    text = tmp_path / "notes.txt"
    text.write_text("not a database, but a text of more than a hundred bytes" * 3, encoding="utf-8")
    with pytest.raises(LogbookError, match="is no logbook"):
        Logbook(text)
    other = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(other)) as file:
        file.execute("CREATE TABLE theirs (x)")
    with pytest.raises(LogbookError, match="is a database of something else"):
        Logbook(other)
    with pytest.raises(LogbookError, match="cannot be opened"):
        Logbook(text / "below" / "logbook.sqlite")
    with closing(sqlite3.connect(other)) as file:
        assert file.execute("SELECT count(*) FROM sqlite_master").fetchone() == (1,)


# ---- CSV -------------------------------------------------------------------------------------------------------------


def test_what_is_exported_reads_in_again_as_the_same_rows(book: Logbook, tmp_path: Path) -> None:
    """Into another logbook whole, struck rows too; into this one nothing is added twice."""
    filled(book, tmp_path)
    book.strike(book.rows("note")[0]["uid"], "another evening")
    written = export(book, tmp_path / "csv")
    assert {path.stem for path in written} == set(KINDS)
    assert read_in(book, tmp_path / "csv", NOW + HOUR).line().startswith("0 rows added, ")
    with Logbook(tmp_path / "copy.sqlite", now=Clock()) as copy:
        done = read_in(copy, tmp_path / "csv", NOW + HOUR)
        assert done.added == sum(len(book.rows(kind, struck=True)) for kind in KINDS)
        for kind in KINDS:
            assert copy.rows(kind, struck=True) == book.rows(kind, struck=True)


def test_a_row_struck_out_elsewhere_is_struck_out_here(book: Logbook, tmp_path: Path) -> None:
    """What another copy struck is struck, not added; what it altered is refused."""
    uid = book.add_note(None, "wrong")
    export(book, tmp_path / "csv")
    file = tmp_path / "csv" / "note.csv"
    head, line = file.read_text(encoding="utf-8").splitlines()
    fields = line.split(",")
    fields[4], fields[5] = exact(NOW), "seen on the phone"
    file.write_text(f"{head}\n{','.join(fields)}\n", encoding="utf-8")
    assert read_in(book, file, NOW + HOUR).struck == 1
    assert book.find(uid) is not None
    assert book.given("copper hatch").notes == ()
    file.write_text(f"{head}\n{line.replace('wrong', 'right')}\n", encoding="utf-8")
    with pytest.raises(LogbookError, match=r"note\.csv, line 2: row .* is in the logbook with another text"):
        read_in(book, file, NOW + HOUR)


def test_a_file_made_by_hand_is_checked_like_what_is_typed(book: Logbook, tmp_path: Path) -> None:
    """Without a uid each line is a new row; times as people write them."""
    by_hand = {
        "car": "car,fuel\nblue saloon,E5\n",
        "change": "car,item,value,at\ncopper hatch,wastegate_duty,36,2025-11-20 21:40\n",
        "slip": "car,s_60ft,s_660ft,kmh_660ft\ncopper hatch,1.95,8.25,141\n",
        "weather": "car,temperature_c\ncopper hatch,21\n",
        "oil": 'car,figures\ncopper hatch,"{""iron"": [18, ""ppm""]}"\n',
        "note": "car,text\ncopper hatch,by hand\n",
        "correction": "car,session,at_ns,what,value\ncopper hatch,evening,5000000000,class,pass\n",
    }
    folder = tmp_path / "csv"
    folder.mkdir()
    for kind, text in by_hand.items():
        (folder / f"{kind}-mine.csv").write_text(text, encoding="utf-8")
    assert read_in(book, folder, NOW).added == len(by_hand)
    given = book.given("copper hatch")
    assert given.changes[0].now == "36"
    assert in_words(given.changes[0].at) == "2025-11-20 21:40:00"
    assert given.oil[0].figures == {"iron": (18.0, "ppm")}
    assert [car.name for car in book.cars()] == ["copper hatch", "blue saloon"]


@pytest.mark.parametrize(
    ("name", "text", "word"),
    [
        (
            "change.csv",
            "car,item,value\ncopper hatch,wastegate_duty,36\ncopper hatch,wastegate_duty,136\n",
            "line 3: .* 0 to 100 %",
        ),
        ("change.csv", "car,itm,value\n", '"itm" is no column of a change .did you mean "item"'),
        ("change.csv", "car,item,value\ncopper hatch,wastegate_duty\n", "has not as many columns"),
        ("change.csv", "car,item\ncopper hatch,wastegate_duty\n", "line 2: 'value' is missing"),
        ("slip.csv", "car,s_60ft,s_660ft\ncopper hatch,fast,8\n", "line 2: s_60ft: could not convert"),
        ("note.csv", "uid,car,text\nabc,copper hatch,x\n", 'uid "abc" is none of ours'),
        ("note.csv", f"uid,car,text\n{'a' * 32},copper hatch,x\n", "at is missing"),
        ("oil.csv", "car,figures\ncopper hatch,18\n", "figures: expected like"),
        ("slips.csv", "car\n", 'did you mean "slip"'),
        ("note.csv", "car,text\ncopper hatch,\xff\n", "cannot be read"),
    ],
)
def test_a_wrong_file_adds_nothing(book: Logbook, tmp_path: Path, name: str, text: str, word: str) -> None:
    """File, line, and what was expected; what stood before the wrong line is not added either."""
    (tmp_path / name).write_text(text, encoding="latin-1")
    with pytest.raises(LogbookError, match=word):
        read_in(book, tmp_path / name, NOW + HOUR)
    assert all(not book.rows(kind, struck=True) for kind in KINDS if kind != "car")


def test_a_folder_without_files_is_refused(book: Logbook, tmp_path: Path) -> None:
    """It says which files are expected."""
    with pytest.raises(LogbookError, match=r"holds no CSV file\. Expected are car\.csv, change\.csv"):
        read_in(book, tmp_path, NOW)


# ---- times -----------------------------------------------------------------------------------------------------------


def test_times_are_read_as_people_write_them() -> None:
    """Without a date the last such time; with one exactly; what was written exactly comes back to the nanosecond."""
    assert read_time(exact(NOW), NOW) == NOW
    clock = in_words(NOW)
    assert read_time(clock[11:16], NOW) == NOW // (60 * 10**9) * 60 * 10**9
    assert read_time(clock, NOW) == NOW // 10**9 * 10**9
    later = in_words(NOW + HOUR)[11:19]
    assert read_time(later, NOW) == (NOW + HOUR - 24 * HOUR) // 10**9 * 10**9
    for wrong in ("soon", "25:00", "2026-02-30 10:00", ""):
        with pytest.raises(ValueError, match="is no time"):
            read_time(wrong, NOW)


def test_every_kind_has_what_names_a_row() -> None:
    """The common columns lead, and no kind uses one of their names for something else."""
    common = {field.name for field in COMMON}
    for kind, fields in KINDS.items():
        assert not common & {field.name for field in fields}, kind
