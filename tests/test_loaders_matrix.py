"""One session written in every habit loads to the same session, or gives the stated error."""

from __future__ import annotations

import datetime as dt
import gzip
import io
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from written_logs import CHANNELS, ROWS, TABLE, Habit, channel_map, clock, iso

from loaders.errors import InputError
from loaders.normalise import Session, load_session

HEAD = "Time,Wheel RL,Wheel RR,Speed,Engine,Yaw"
UNIT_ROW = "s,rad/s,rad/s,km/h,rpm,deg/s"
PREAMBLE = ("car,Ostrel C3", "driver,Mira Tolland", "", "note")
OTHER_PREAMBLE = ("car,Ostrel C3", "driver,Jon Aster", "", "note,after lunch")
HEADS = (HEAD.replace(",", ";"), UNIT_ROW.replace(",", ";"))
SPLIT = (
    ("", "Wheel", "Wheel", "", "", ""),
    ("Time", "RL", "RR", "Speed", "Engine", "Yaw"),
)
GROUPS = (
    ("Logger", "Wheels", "Wheels", "Body", "Engine", "Body"),
    ("Time", "Wheel RL", "Wheel RR", "Speed", "Engine", "Yaw"),
)


def zipped(*names: str, method: int = zipfile.ZIP_DEFLATED) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", method) as archive:
        for name in names:
            archive.writestr(name, Habit().write())
    return packed.getvalue()


def zstd(content: bytes) -> bytes:
    packed = pa.BufferOutputStream()
    with pa.CompressedOutputStream(packed, "zstd") as stream:
        stream.write(content)
    return packed.getvalue().to_pybytes()


def in_zip(content: bytes) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("run3.packed", content)
    return packed.getvalue()


def basic(stamp: str) -> str:
    """The basic format of ISO 8601: without the marks inside date and time."""
    return stamp.replace("-", "").replace(":", "")


def from_ten_fifteen(seconds: float) -> str:
    return clock(10 * 3600 + 15 * 60 + seconds)


PLAIN = Habit().write()
SAME: dict[str, Habit | bytes] = {
    "comma": Habit(),
    "comma, preamble": Habit(before=PREAMBLE),
    "comma, long preamble": Habit(before=["remark, nothing to see here"] * 800),
    "comma, CRLF": Habit(line_end="\r\n"),
    "comma, CR": Habit(line_end="\r"),
    "comma, UTF-8 with mark": Habit(encoding="utf-8-sig"),
    "comma, UTF-16": Habit(encoding="utf-16"),
    "comma, UTF-16 without mark": Habit(encoding="utf-16-le"),
    "comma, UTF-16, large end first, without mark": Habit(encoding="utf-16-be", before=PREAMBLE),
    "semicolon, signs, UTF-16 without mark": Habit(
        ";", ",", encoding="utf-16-le", before=["Strecke;Übungsgelände, 31 °C"]
    ),
    "comma, Windows-1252": Habit(encoding="cp1252", before=["track temperature, 31 °C, µ 1"]),
    "comma, UTF-8 with signs": Habit(before=["Strecke, Übungsgelände, 31 °C"]),
    "comma, quoted": Habit(quoted="all"),
    "comma, quoted names": Habit(quoted="names"),
    "comma, quoted numbers": Habit(quoted="numbers"),
    "comma, quoted decimal commas": Habit(mark=",", quoted="all"),
    "comma, quoted thousands": Habit(thousands=",", quoted="all"),
    "comma, padded": Habit(pad=True),
    "comma, trailing delimiters": Habit(trailing=","),
    "comma, units twice": Habit(units="two rows"),
    "comma, no units": Habit(units=""),
    "comma, comment above": Habit(before=["# written by our logger", "# car 7"]),
    "comma, comment below header": Habit(every={0: ["# data"]}),
    "comma, comments between": Habit(every={20: ["# pit"], 40: ["// out again", "% note"]}),
    "comma, comment at the end": Habit(after=["# end of log"]),
    "comma, footer": Habit(after=["", "Maximum,85.9,87.63,96.49,1644.25,18.3", "Rows: 60"]),
    "comma, blank lines between": Habit(every={10: [""], 30: ["", ""]}),
    "comma, lines of blanks": Habit(every={10: ["   "]}),
    "comma, blank line below header": Habit(every={0: [""]}),
    "comma, repeated header": Habit(every={30: [HEAD, UNIT_ROW]}),
    "comma, repeated head": Habit(before=PREAMBLE, every={30: [*PREAMBLE, HEAD, UNIT_ROW]}),
    "comma, another head": Habit(before=PREAMBLE, every={30: [*OTHER_PREAMBLE, HEAD, UNIT_ROW]}),
    "comma, another head without blank line": Habit(
        before=PREAMBLE, every={30: ["driver,Jon Aster", HEAD, UNIT_ROW]}
    ),
    "semicolon, three heads": Habit(
        ";", ",", before=["car;Ostrel C3"],
        every={20: ["car;Ostrel C4", *HEADS], 40: ["run;3", *HEADS]},
    ),
    "comma, repeated header, quoted": Habit(every={30: [HEAD, UNIT_ROW]}, quoted="numbers"),
    "comma, filled up with NUL": Habit().write() + bytes(4096),
    "comma, cut last line": Habit(after=["0.60,80.1"], last_end=False),
    "comma, NaN": Habit(blank="NaN"),
    "comma, n/a": Habit(blank="n/a"),
    "comma, dashes": Habit(blank="---"),
    "comma, inf": Habit(blank="-inf"),
    "comma, null": Habit(blank="NULL"),
    "comma, blanks as blank": Habit(blank="    "),
    "semicolon": Habit(";"),
    "semicolon, decimal comma": Habit(";", ","),
    "semicolon, decimal comma, thousands point": Habit(";", ",", "."),
    "semicolon, thousands comma": Habit(";", ".", ","),
    "semicolon, thousands blank": Habit(";", ",", " "),
    "semicolon, thousands thin blank": Habit(";", ",", "\u2009"),
    "semicolon, thousands hard blank, 1252": Habit(";", ",", "\u00a0", encoding="cp1252"),
    "semicolon, thousands narrow blank, UTF-16": Habit(";", ",", "\u202f", encoding="utf-16"),
    "semicolon, thousands apostrophe": Habit(";", ".", "'"),
    "semicolon, thousands curly apostrophe": Habit(";", ".", "\u2019"),
    "semicolon, quoted decimal comma": Habit(";", ",", quoted="all"),
    "tab": Habit("\t"),
    "tab, decimal comma": Habit("\t", ","),
    "tab, apostrophe": Habit("\t", thousands="'"),
    "tab, footer": Habit("\t", after=["Total\t85.9", "end"]),
    "pipe": Habit("|"),
    "pipe, decimal comma, padded": Habit(" | ", ","),
    "blanks, words": Habit(" ", header=[[n.replace(" ", "_") for n in HEAD.split(",")]], blank="-"),
    "blanks, fixed width": Habit("  ", pad=True),
    "blanks, fixed width, decimal comma": Habit("  ", ",", pad=True),
    "header on two lines": Habit(header=SPLIT),
    "header on two lines, units": Habit(";", ",", header=SPLIT, before=["car;Ostrel C3"]),
    "group row above the names": Habit(header=GROUPS),
    "m:ss": Habit(time=lambda s: clock(s, hours=False)),
    "m:ss with comma": Habit(";", ",", time=lambda s: clock(s, hours=False, mark=",")),
    "h:mm:ss": Habit(time=from_ten_fifteen),
    "h:mm:ss, quoted": Habit(time=from_ten_fifteen, quoted="all"),
    "clock over midnight": Habit(time=lambda s: clock(86_399.7 + s)),
    "clock over midnight, footer": Habit(time=lambda s: clock(86_399.7 + s), after=["end"]),
    "ISO": Habit(time=iso),
    "ISO with blank": Habit(time=lambda s: iso(s, between=" ")),
    "ISO with Z": Habit(time=lambda s: iso(s, zone="Z")),
    "ISO with zone": Habit(time=lambda s: iso(s, zone="+02:00")),
    "ISO with short zone": Habit("\t", time=lambda s: iso(s, zone="-0330")),
    "ISO with comma": Habit(";", ",", time=lambda s: iso(s, mark=",")),
    "ISO over midnight": Habit(time=lambda s: iso(s + 49_499.7)),
    "ISO, basic": Habit(time=lambda s: basic(iso(s))),
    "ISO, basic, with Z": Habit(time=lambda s: basic(iso(s)) + "Z"),
    "ISO, basic, with zone": Habit("\t", time=lambda s: basic(iso(s)) + "+0530"),
    "ISO, basic, with comma": Habit(";", ",", time=lambda s: basic(iso(s, mark=","))),
    "ISO, small letters": Habit(time=lambda s: iso(s, between="t", zone="z")),
    "gzip": gzip.compress(Habit().write()),
    "gzip of UTF-16": gzip.compress(Habit(";", ",", encoding="utf-16").write()),
    "gzip of two parts": gzip.compress(PLAIN[:900]) + gzip.compress(PLAIN[900:]),
    "Zstandard": zstd(Habit().write()),
    "zip": zipped("run3.csv"),
    "zip with a folder": zipped("day/", "day/run3.csv"),
    "zip, stored": zipped("run3.csv", method=zipfile.ZIP_STORED),
    "gzip in zip": in_zip(gzip.compress(PLAIN)),
    "Zstandard in zip": in_zip(zstd(PLAIN)),
    "zip in zip": in_zip(zipped("run3.csv")),
    "zip in gzip": gzip.compress(zipped("run3.csv")),
    "gzip in Zstandard": zstd(gzip.compress(PLAIN)),
}  # fmt: skip


def columns_of(name: str) -> dict[str, str] | None:
    """The columns by the names that this habit gives them."""
    if name == "blanks, words":
        return {channel: column.replace(" ", "_") for channel, column in CHANNELS.items()}
    return None


def load(folder: Path, content: bytes, **of_map: object) -> Session:
    log = folder / "run3.csv"
    log.write_bytes(content)
    return load_session(log, [channel_map(folder, **of_map)])  # type: ignore[arg-type]


def assert_is_the_session(made: Session) -> None:
    """The same numbers as were written, whatever the time counts from."""
    # Written with two digits: half of the last is what no reader can know.
    np.testing.assert_allclose(made.time_s - made.time_s[0], TABLE["Time"], atol=1e-6)
    for channel, name, factor in (
        ("wheel_speed_rl_radps", "Wheel RL", 1.0),
        ("wheel_speed_rr_radps", "Wheel RR", 1.0),
        ("speed_mps", "Speed", 1 / 3.6),
        ("engine_speed_radps", "Engine", np.pi / 30),
    ):
        np.testing.assert_allclose(made.channels[channel], TABLE[name] * factor, rtol=1e-12)
    own = ~np.isnan(TABLE["Yaw"])
    np.testing.assert_allclose(
        made.channels["yaw_rate_radps"][own], np.radians(TABLE["Yaw"][own]), rtol=1e-12
    )


@pytest.mark.parametrize("name", SAME)
def test_a_habit_changes_nothing(tmp_path: Path, name: str) -> None:
    written = SAME[name]
    content = written if isinstance(written, bytes) else written.write()
    time = 'column = "Time"' + ('\nunit = "s"' if name == "comma, no units" else "")
    made = load(tmp_path, content, columns=columns_of(name), time=time)
    assert_is_the_session(made)


def test_there_are_enough_habits() -> None:
    assert len(SAME) >= 60


def test_a_rate_that_is_stated_takes_the_place_of_a_time_column(tmp_path: Path) -> None:
    content = Habit(columns=("Wheel RL", "Wheel RR", "Speed", "Engine", "Yaw")).write()
    assert_is_the_session(load(tmp_path, content, time="rate_hz = 100"))


def test_a_tie_is_read_as_the_map_states_it(tmp_path: Path) -> None:
    rows = [f"{1 + i};{1 + i},125" for i in range(9)]
    content = "\n".join(["Time;Speed", *rows, ""]).encode()
    columns = {"speed_mps": "Speed"}
    with pytest.raises(InputError, match="every comma stands before three digits"):
        load(tmp_path, content, columns=columns)
    time = 'column = "Time"\nunit = "s"'
    made = load(tmp_path, content, time=time, columns=columns, text='decimal_mark = "comma"')
    assert made.channels["speed_mps"][0] * 3.6 == pytest.approx(1.125)
    made = load(tmp_path, content, time=time, columns=columns, text='decimal_mark = "point"')
    assert made.channels["speed_mps"][0] == 1125 / 3.6 or np.isnan(made.channels["speed_mps"][0])


DATES = {
    "year first": "%Y-%m-%d",
    "year first, slashes": "%Y/%m/%d",
    "day, month, year with points": "%d.%m.%Y",
}


@pytest.mark.parametrize("name", DATES)
@pytest.mark.parametrize("start_s", [10.0, 86_399.7])
def test_date_and_time_may_stand_in_two_columns(tmp_path: Path, name: str, start_s: float) -> None:
    rows = Habit(time=lambda s: clock(start_s + s)).write().decode().splitlines()
    midnight = dt.datetime(2026, 4, 18)  # noqa: DTZ001 -- as loggers write it
    stamps = [midnight + dt.timedelta(seconds=start_s + t) for t in TABLE["Time"]]
    dates = [
        "Date",
        "",
        *(f"{stamp + dt.timedelta(microseconds=1):{DATES[name]}}" for stamp in stamps),
    ]
    lines = [f"{date},{row}" for date, row in zip(dates, rows, strict=True)]
    made = load(
        tmp_path, "\n".join(lines).encode() + b"\n", time='column = "Time"\ndate_column = "Date"'
    )
    assert_is_the_session(made)
    assert made.time_s[0] == pytest.approx(start_s)


def test_a_date_tells_days_apart_that_the_clock_alone_does_not(tmp_path: Path) -> None:
    """Two runs on two days, joined: the gap between them is a day and not a few seconds."""
    rows = [f"{day}.04.2026,10:15:0{i},{80 + i}" for day in (18, 19) for i in range(9)]
    log = "\n".join(["Date,Time,Speed", ",,km/h", *rows, ""]).encode()
    time, columns = 'column = "Time"\ndate_column = "Date"', {"speed_mps": "Speed"}
    made = load(tmp_path, log, time=time, columns=columns)
    assert made.time_s[-1] - made.time_s[0] == 86_400 + 8


@pytest.mark.parametrize(
    ("time", "said"),
    [
        ('column = "Time"\ndate_column = "Lap"', "column 'Lap' holds a number; expected dates"),
        ('column = "Stamp"\ndate_column = "Date"', "'Stamp' holds ISO 8601 date-time, with a date"),
        ('rate_hz = 100\ndate_column = "Date"', "date_column say nothing beside rate_hz"),
        ('column = "Date"\ndate_column = "Date"', "column and date_column are both 'Date'"),
    ],
)
def test_a_date_column_that_cannot_be_one_is_refused(tmp_path: Path, time: str, said: str) -> None:
    rows = [f"2026-04-18,10:15:0{i},2026-04-18T10:15:0{i},{80 + i},3" for i in range(9)]
    log = "\n".join(["Date,Time,Stamp,Speed,Lap", ",,,km/h,", *rows, ""]).encode()
    with pytest.raises(InputError, match=said):
        load(tmp_path, log, time=time, columns={"speed_mps": "Speed"})


# --- what was done is said -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("comma, comments between", "3 lines from line 23 on of comment left out"),
        ("comma, footer", "2 lines from line 64 on below the last row left out: 'Maximum"),
        ("comma, blank lines between", "3 blank lines between the rows were left out"),
        ("comma, lines of blanks", "1 blank lines between the rows were left out"),
        ("comma, repeated header", "2 lines from line 33 on that repeat the lines above the data"),
        ("comma, another head", "another head between the rows says: driver = Jon Aster; note = "),
        ("semicolon, three heads", "another head between the rows says: car = Ostrel C4; run = 3"),
        ("comma, units twice", "1 repeated lines above the data were left out"),
        ("comma, filled up with NUL", "4096 NUL bytes that fill up the file were left out"),
        ("comma, NaN", "45 cells that say 'NaN' read as blank"),
        ("comma, n/a", "45 cells that say 'n/a' read as blank"),
        ("comma, dashes", "45 cells that say '---' read as blank"),
        ("comma, inf", "45 cells that say '-inf' read as blank"),
        ("semicolon, thousands comma", "58 numbers with comma between thousands"),
        ("semicolon, thousands apostrophe", "58 numbers with apostrophe between thousands"),
        ("clock over midnight", "column 'Time': the clock runs over midnight once"),
        ("ISO with zone", "column 'Time': seconds count from 2026-04-18T00:00:00+02:00"),
    ],
)
def test_what_is_left_out_or_rewritten_is_counted(tmp_path: Path, name: str, said: str) -> None:
    written = SAME[name]
    made = load(tmp_path, written if isinstance(written, bytes) else written.write())
    assert any(note.startswith(said) for note in made.source.notes), made.source.notes


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("zip", "unpacked from zip as 'run3.csv'"),
        ("gzip in zip", "unpacked from gzip, which was in zip as 'run3.packed'"),
        ("comma, UTF-16 without mark", "UTF-16-LE without mark"),
        ("gzip", "unpacked from gzip"),
        ("Zstandard", "unpacked from Zstandard"),
        ("ISO", "'Time' as ISO 8601 date-time"),
        ("h:mm:ss", "'Time' as clock time"),
        ("header on two lines", "column names on lines 1 and 2, units on line 3"),
        ("blanks, fixed width", "blanks between cells"),
    ],
)
def test_how_it_was_read_is_said(tmp_path: Path, name: str, said: str) -> None:
    written = SAME[name]
    made = load(tmp_path, written if isinstance(written, bytes) else written.write())
    assert said in made.source.dialect


# --- the stated error ----------------------------------------------------------------------------

ROW = "0.60,85.9,87.63,96.49,1644.25,"
REFUSED: dict[str, tuple[bytes, str]] = {
    "a damaged last row is no footer": (
        Habit(after=[ROW.replace("85.9", "fault")]).write(),
        "line 63, column 'Wheel RL': found 'fault'; expected a number",
    ),
    "text between the rows is no footer": (
        Habit(every={30: ["pit stop"]}).write(), "line 33: found 1 cells; expected 6",
    ),
    "an open quote swallows nothing": (
        Habit(every={30: ['0.295,"85.9,87.63,96.49,1644.25,']}).write(),
        "line 33: a quote sign among the numbers",
    ),
    "a quote inside a cell": (
        Habit(every={30: ['0.295,8"5.9,"87.63",96.49,1644.25,']}).write(),
        "line 33: a quote sign among the numbers",
    ),
    "a number out of reach": (
        Habit(every={30: ["0.295,85.9,87.63,1e400,1644.25,"]}).write(),
        "line 33, column 'Speed': found '1e400'; expected a number that this machine can hold",
    ),
    "thousands set apart in twos": (
        Habit(";", every={30: ["0.295;85.9;87.63;96.49;1'64'4.25;"]}).write(),
        "line 33, column 'Engine': found '1'64'4.25'",
    ),
    "a NUL byte inside": (
        Habit(every={30: ["0.295,85.9\0,87.63,96.49,1644.25,"]}).write(), "line 33: a NUL byte",
    ),
    "a date that is none": (
        Habit(time=iso, every={30: ["2026-02-30T10:15:00.295" + ROW[4:]]}).write(),
        "line 33, column 'Time': found '2026-02-30T10:15:00.295'; expected date and time",
    ),
    "a time without its zone": (
        Habit(
            time=lambda s: iso(s, zone="Z"), every={30: ["2026-04-18T10:15:00.295" + ROW[4:]]}
        ).write(),
        "found '2026-04-18T10:15:00.295'; expected date and time with its zone, as in the first",
    ),
    "a number among clock times": (
        Habit(time=from_ten_fifteen, every={30: ["0.295" + ROW[4:]]}).write(),
        "line 33, column 'Time': found '0.295'; expected a clock time, m:ss or h:mm:ss",
    ),
    "a minute of 61": (
        Habit(time=from_ten_fifteen, every={30: ["10:61:00.3" + ROW[4:]]}).write(),
        "line 33, column 'Time': found '10:61:00.3'; expected clock time",
    ),
    "two files in a zip": (
        zipped("run3.csv", "run4.csv"), "the zip holds 2 files: 'run3.csv', 'run4.csv'; expected",
    ),
    "an empty zip": (zipped(), "the zip holds no file"),
    "a gzip cut short": (
        gzip.compress(Habit().write())[:-30], "begins as a gzip file but cannot be unpacked",
    ),
    "a Zstandard file cut short": (
        zstd(Habit().write())[:-30], "begins as a Zstandard file but cannot be unpacked",
    ),
    "a zip cut short": (
        zipped("run3.csv")[:-30], "begins as a zip file but cannot be unpacked",
    ),
    "a bomb": (
        gzip.compress(Habit().write() + b"9,80,80,90,980,1\n" * (4 << 20), 6),
        "unpacks to more than 67 MB",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_read_is_named(tmp_path: Path, name: str) -> None:
    content, said = REFUSED[name]
    with pytest.raises(InputError) as caught:
        load(tmp_path, content)
    assert str(caught.value).startswith("run3.csv: ")
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("stated", "said"),
    [
        ('format = "iso"', "column 'Time' holds a number, but channels.toml states"),
        ('format = "clock"', 'Set format = "number" under [time], or take it out.'),
    ],
)
def test_another_form_of_time_than_stated_is_an_error(
    tmp_path: Path, stated: str, said: str
) -> None:
    with pytest.raises(InputError) as caught:
        load(tmp_path, Habit().write(), time=f'column = "Time"\n{stated}')
    assert said in str(caught.value)


def test_a_unit_beside_a_clock_time_is_an_error(tmp_path: Path) -> None:
    content = replace(Habit(), time=from_ten_fifteen).write()
    with pytest.raises(InputError, match="which is read in seconds, but"):
        load(tmp_path, content, time='column = "Time"\nunit = "ms"')


@pytest.mark.parametrize(
    ("time", "said"),
    [
        ("", "'column' is not set"),
        ('column = "Time"\nrate_hz = 100', "column and rate_hz are both set"),
        ('rate_hz = 100\nunit = "s"', "unit, format and date_column say nothing beside rate_hz"),
        ("rate_hz = 0", "rate_hz = 0; expected a number from 0.1 to 100000"),
        ('column = "Time"\nformat = "seconds"', 'format = "seconds"; expected "number"'),
    ],
)
def test_a_time_table_that_says_too_little_or_too_much_is_an_error(
    tmp_path: Path, time: str, said: str
) -> None:
    with pytest.raises(InputError) as caught:
        channel_map(tmp_path, time=time)
    assert said in str(caught.value)


def test_rows_are_counted_once(tmp_path: Path) -> None:
    assert load(tmp_path, Habit(quoted="all").write()).source.rows == ROWS
