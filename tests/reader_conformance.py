"""What every reader of logs must do, whatever file it is for.

Inherit `ReaderConformance` in a class named ``Test...`` and say how its kind of file is written.
"""

from __future__ import annotations

import random
from abc import ABC, abstractmethod
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from written_logs import NAMES, TABLE, UNITS

from loaders.errors import InputError
from loaders.rawtable import Layout, RawTable
from loaders.readers import READERS, read_raw_table

TIME = "Time"


class ReaderConformance(ABC):
    """The same session in, the same numbers out; damage is an `InputError`."""

    damaged_files = 60

    reader: str
    """Its name in the table of readers."""
    time_name = TIME
    """What the file calls its time."""
    suffix = ".log"

    def called(self, name: str) -> str:
        """What the file calls a column of the table."""
        return self.time_name if name == TIME else name

    @abstractmethod
    def write(self, table: Mapping[str, np.ndarray], units: Mapping[str, str]) -> bytes:
        """The file that holds the table."""

    def content(self) -> bytes:
        return self.write(TABLE, dict(zip(NAMES, UNITS, strict=True)))

    def read(self, folder: Path, content: bytes, *wanted: str) -> RawTable:
        path = folder / f"run3{self.suffix}"
        path.write_bytes(content)
        return read_raw_table(path, lambda layout: set(wanted or layout.names))

    def test_the_table_of_readers_knows_it_by_its_first_bytes(self) -> None:
        head = self.content()[:64]
        assert next(each.name for each in READERS if each.recognises(head)) == self.reader

    def test_the_numbers_come_out_as_they_went_in(self, tmp_path: Path) -> None:
        raw = self.read(tmp_path, self.content())
        for name in NAMES:
            np.testing.assert_array_equal(raw.columns[self.called(name)], TABLE[name])
        assert raw.rows == len(TABLE[TIME])

    def test_only_wanted_columns_are_read(self, tmp_path: Path) -> None:
        raw = self.read(tmp_path, self.content(), self.time_name, "Speed")
        assert set(raw.columns) == {self.time_name, "Speed"}

    def test_the_layout_has_names_and_units(self, tmp_path: Path) -> None:
        raw = self.read(tmp_path, self.content())
        stated = dict(zip(raw.names, raw.units, strict=True))
        assert stated == {self.called(name): unit for name, unit in zip(NAMES, UNITS, strict=True)}

    def test_an_answer_of_the_map_comes_through(self, tmp_path: Path) -> None:
        def refuse(layout: Layout) -> set[str]:
            msg = f"{layout.dialect.names_place}no column is called 'Gear'"
            raise InputError(msg)

        path = tmp_path / "run3"
        path.write_bytes(self.content())
        with pytest.raises(InputError, match="no column is called 'Gear'"):
            read_raw_table(path, refuse)

    def test_it_says_how_it_read(self, tmp_path: Path) -> None:
        raw = self.read(tmp_path, self.content())
        assert raw.read_as
        assert raw.size_bytes == len(self.content()) or self.reader == "MDF"
        assert len(raw.sha256) == 64

    @pytest.mark.parametrize("share", [0.02, 0.3, 0.9, 0.99])
    def test_a_file_cut_short_is_refused_or_said(self, tmp_path: Path, share: float) -> None:
        content = self.content()
        try:
            raw = self.read(tmp_path, content[: int(share * len(content))])
        except InputError as problem:
            assert str(problem).startswith("run3")  # noqa: PT017
        else:
            assert raw.notes

    def test_damage_is_never_a_crash(self, tmp_path: Path) -> None:
        content, rng = self.content(), random.Random(7)
        for _ in range(self.damaged_files):
            damaged = bytearray(content)
            for _ in range(rng.choice((1, 4, 40))):
                damaged[rng.randrange(4, len(damaged))] = rng.randrange(256)
            try:
                self.read(tmp_path, bytes(damaged))
            except InputError as problem:
                assert str(problem).startswith("run3")  # noqa: PT017
