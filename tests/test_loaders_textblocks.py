"""A log read in small blocks is the log read at once, whatever it is written like."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_loaders_matrix import REFUSED, SAME, assert_is_the_session, columns_of, load

import loaders.delimited
from loaders import textblocks
from loaders.errors import InputError
from loaders.textblocks import Lines, count_lines

SIZES = [150, 997]
TEXTS = [name for name in SAME if name != "comma, no units"]
DAMAGED = [name for name in REFUSED if name != "a bomb"]  # which is long


def cut(parts: Iterable[bytes], size: int) -> Iterator[bytes]:
    for part in parts:
        yield from (part[at : at + size] for at in range(0, len(part), size))


@pytest.fixture
def small_blocks(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> None:
    """From now on the rows of a text come in blocks of so few bytes, with a footer of few lines."""
    size: int = request.param

    class SmallBlocks(Lines):
        def __init__(self, parts: Iterable[bytes]) -> None:
            super().__init__(cut(parts, size))

    monkeypatch.setattr(loaders.delimited, "Lines", SmallBlocks)
    monkeypatch.setattr(textblocks, "LONGEST_FOOTER", 4)


@pytest.mark.parametrize("small_blocks", SIZES, indirect=True)
@pytest.mark.parametrize("name", TEXTS)
@pytest.mark.usefixtures("small_blocks")
def test_a_habit_read_in_small_blocks_is_the_same_session(tmp_path: Path, name: str) -> None:
    log = SAME[name]
    content = log if isinstance(log, bytes) else log.write()
    assert_is_the_session(load(tmp_path, content, columns=columns_of(name)))


@pytest.mark.parametrize("small_blocks", SIZES, indirect=True)
@pytest.mark.parametrize("name", DAMAGED)
@pytest.mark.usefixtures("small_blocks")
def test_what_cannot_be_read_is_named_in_small_blocks_too(tmp_path: Path, name: str) -> None:
    content, said = REFUSED[name]
    with pytest.raises(InputError) as caught:
        load(tmp_path, content)
    assert said in str(caught.value)


@given(
    text=st.text(alphabet="1,\n\r\x00", max_size=60).map(str.encode),
    size=st.integers(1, 20),
)
def test_no_whole_line_is_lost_or_doubled_between_blocks(text: bytes, size: int) -> None:
    whole, parted = Lines([text]), Lines(cut([text], size))
    at_once = b"".join(block for block, _ in whole.blocks())
    blocks = list(parted.blocks())
    assert [last for _, last in blocks] == [False] * (len(blocks) - 1) + [True]
    joined = b"".join(block for block, _ in blocks)
    # Of NUL bytes inside, which are refused, one is enough.
    assert joined.replace(b"\x00", b"") == at_once.replace(b"\x00", b"")
    assert (b"\x00" in joined) == (b"\x00" in at_once)
    assert parted.notes == whole.notes


@given(st.text(alphabet="1\n\r", max_size=30).map(str.encode))
def test_lines_are_counted_as_they_are_split(text: bytes) -> None:
    assert count_lines(text + b"\n") == len((text + b"\n").splitlines())
