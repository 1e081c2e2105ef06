"""A capture of a CAN bus becomes columns: bit for bit as a reference library reads it."""

from __future__ import annotations

import io
import struct
from collections.abc import Mapping
from pathlib import Path

import can
import cantools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reader_conformance import ReaderConformance
from written_logs import NAMES, UNITS

from loaders.can_signals import decoded
from loaders.errors import InputError
from loaders.mapping import ChannelColumn, ChannelMap, TimeColumn
from loaders.normalise import load_session
from loaders.rawtable import RawTable
from loaders.readers import read_raw_table


def dbc_of(*messages: str) -> str:
    return 'VERSION ""\nBU_: ECU\n' + "\n".join(messages) + "\n"


# --- the conformance kit: every column a message of one float64 ----------------------------------

COLUMNS = [(name.replace(" ", "_"), 0x200 + i) for i, name in enumerate(NAMES) if name != "Time"]


class TestCan(ReaderConformance):
    reader = "CAN"
    time_name = "time"

    @pytest.fixture(autouse=True)
    def _dbc_beside(self, tmp_path: Path) -> None:
        units = dict(zip(NAMES, UNITS, strict=True))
        messages = [
            f"BO_ {number} M{number}: 8 ECU\n"
            f' SG_ {name} : 0|64@1- (1,0) [0|0] "{units[name.replace("_", " ")]}" ECU'
            for name, number in COLUMNS
        ]
        floats = [f"SIG_VALTYPE_ {number} {name} : 2;" for name, number in COLUMNS]
        (tmp_path / "car.dbc").write_text(dbc_of(*messages, *floats))

    def called(self, name: str) -> str:
        return "time" if name == "Time" else name.replace(" ", "_")

    def write(self, table: Mapping[str, np.ndarray], units: Mapping[str, str]) -> bytes:
        del units  # they are the DBC file's
        lines = [
            f"({stamp:.6f}) can0 {number:03X}#{struct.pack('<d', value).hex().upper()}\n"
            for i, stamp in enumerate(table["Time"])
            for name, number in COLUMNS
            if np.isfinite(value := table[name.replace("_", " ")][i])
        ]
        return "".join(lines).encode()


# --- bits ----------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=60)
@given(data=st.data())
def test_every_signal_reads_as_the_reference_library_decodes_it(data: st.DataObject) -> None:
    length = data.draw(st.integers(1, 64))
    little = data.draw(st.booleans())
    first = data.draw(st.integers(0, 64 - length))
    start = first if little else 8 * (first // 8) + 7 - first % 8
    sign = data.draw(st.sampled_from("+-"))
    text = dbc_of(
        "BO_ 256 M: 8 ECU",
        f' SG_ S : {start}|{length}@{int(little)}{sign} (0.5,-3) [0|0] "rad/s" ECU',
    )
    message = cantools.database.load_string(text, "dbc").messages[0]
    payloads = data.draw(st.lists(st.binary(min_size=8, max_size=8), min_size=1, max_size=5))
    ours = decoded(payloads, message.signals[0], message)
    theirs = [float(message.decode(each)["S"]) for each in payloads]
    np.testing.assert_array_equal(ours.values, theirs)


SWITCHED = dbc_of(
    "BO_ 256 M: 8 ECU",
    ' SG_ Page M : 0|8@1+ (1,0) [0|0] "" ECU',
    ' SG_ Oil m0 : 8|16@1- (0.1,0) [0|0] "degC" ECU',
    ' SG_ Water m1 : 8|16@1- (0.1,0) [0|0] "degC" ECU',
    "BO_ 257 F: 8 ECU",
    ' SG_ Push : 0|32@1- (1,0) [0|0] "N m" ECU',
    "SIG_VALTYPE_ 257 Push : 1;",
)


def test_a_switched_signal_is_blank_in_frames_that_hold_another_one() -> None:
    message = cantools.database.load_string(SWITCHED, "dbc").messages[0]
    payloads = [bytes([0, 100, 0, *[0] * 5]), bytes([1, 200, 0, *[0] * 5]), bytes([0, 1])]
    oil = decoded(payloads, message.signals[1], message)
    np.testing.assert_allclose(oil.values, [10.0, np.nan, np.nan])
    assert oil.short == 1


# --- whole captures ------------------------------------------------------------------------------


def captured(folder: Path, text: str, dbc: str = SWITCHED) -> RawTable:
    (folder / "run3.dbc").write_text(dbc)
    (folder / "run3.log").write_text(text)
    return read_raw_table(folder / "run3.log", lambda layout: set(layout.names))


def push(value: float) -> str:
    return struct.pack("<f", value).hex()


def test_a_capture_by_another_library_is_read(tmp_path: Path) -> None:
    # python-can's own writer of candump's format.
    written = io.StringIO()
    with can.CanutilsLogWriter(written) as writer:
        for i in range(4):
            writer.on_message_received(
                can.Message(
                    timestamp=1_700_000_000 + i / 100, arbitration_id=257, is_extended_id=False,
                    data=struct.pack("<ff", 2.5 * i, 0.0),
                )
            )  # fmt: skip
        text = written.getvalue()
    raw = captured(tmp_path, text)
    np.testing.assert_array_equal(raw.columns["Push"], [0.0, 2.5, 5.0, 7.5])
    np.testing.assert_allclose(np.diff(raw.columns["time"]), 0.01, atol=1e-6)


def test_slower_messages_stand_in_the_nearest_row_and_it_is_said(tmp_path: Path) -> None:
    lines = [f"({i / 100:.6f}) can0 101#{push(i)}" for i in range(6)]
    lines += ["(0.031000) can0 100#0064000000000000", "(0.048000) can0 100#00C8000000000000"]
    raw = captured(tmp_path, "\n".join([*lines, ""]))
    np.testing.assert_allclose(raw.columns["Oil"], [np.nan] * 3 + [10, np.nan, 20])
    said = "samples of message 'M' stand in the nearest row, +0.50 ms away in the middle and"
    assert any(note.startswith(f"{said} 2.00 ms at most") for note in raw.notes)


def test_what_is_left_out_of_a_capture_is_counted(tmp_path: Path) -> None:
    lines = [f"({i / 100:.6f}) can0 101#{push(i)}" for i in range(3)]
    lines += [
        "(0.021000) can0 7FF#00", "(0.022000) can0 7FF#01", "(0.023000) can0 101#R",
        "(0.024000) can0 20000004#0000000000000000", f"(0.030000) can0 101#{push(np.inf)}",
        "(0.040000) can0 101#00", "(0.05",
    ]  # fmt: skip
    raw = captured(tmp_path, "\n".join(lines))
    for note in (
        "2 frames with ids that the DBC file does not hold were left out: 0x7FF",
        "1 remote frames, which hold no data, were left out",
        "1 error frames, which hold no data, were left out",
        "column 'Push': blank in 1 frames that end before it",
        "column 'Push': blank in 1 frames that hold no finite number",
        "the last line has no line end and may be cut short; it was left out",
    ):
        assert note in raw.notes
    np.testing.assert_allclose(raw.columns["Push"], [0, 1, 2, np.nan, np.nan])


def test_a_capture_becomes_a_session(tmp_path: Path) -> None:
    lines = [f"({1_436_509_052 + i / 50:.6f}) can0 101#{push(i)}" for i in range(200)]
    captured(tmp_path, "\n".join([*lines, ""]))
    entries = {"shaft_torque_left_nm": ChannelColumn("Push")}
    channel_map = ChannelMap(tmp_path / "channels.toml", TimeColumn("time"), entries)
    session = load_session(tmp_path / "run3.log", [channel_map])
    assert session.rate_hz == 50.0
    np.testing.assert_array_equal(session.channels["shaft_torque_left_nm"], np.arange(200.0))


ONE = "(0.010000) can0 101#00000000\n"


@pytest.mark.parametrize(
    ("text", "dbcs", "message"),
    [
        (ONE, {}, r"beside it, found none\. Put it there, called run3\.dbc\."),
        (ONE, {"a": SWITCHED, "b": SWITCHED}, r"found a\.dbc and b\.dbc"),
        (ONE, {"run3": "BO_ oops"}, r"run3\.dbc beside it cannot be read as a DBC file"),
        (f"{ONE}(0.02) can0 101#0", {"run3": SWITCHED}, ""),
        (f"{ONE}(0.02) can0 101#0\n", {"run3": SWITCHED}, r"line 2: found '\(0\.02\) can0 101#0'"),
        (f"{ONE}(0.02) can1 101#00\n", {"run3": SWITCHED}, r"id 101 comes over can0 and over can1"),
    ],
)
def test_what_cannot_be_read_is_said(
    tmp_path: Path, text: str, dbcs: Mapping[str, str], message: str
) -> None:
    for name, dbc in dbcs.items():
        (tmp_path / f"{name}.dbc").write_text(dbc)
    (tmp_path / "run3.log").write_text(text)
    if not message:
        assert read_raw_table(tmp_path / "run3.log", lambda layout: set(layout.names)).rows == 1
        return
    with pytest.raises(InputError, match=message):
        read_raw_table(tmp_path / "run3.log", lambda layout: set(layout.names))


def test_without_its_package_a_capture_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "cantools", None)
    (tmp_path / "run3.log").write_text(ONE)
    with pytest.raises(InputError, match=r'pip install "sidegear\[can\]"'):
        read_raw_table(tmp_path / "run3.log", lambda layout: set(layout.names))
