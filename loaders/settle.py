"""What becomes of a proposal: written for a person to look over, or accepted."""

from __future__ import annotations

from pathlib import Path

from loaders.errors import InputError
from loaders.map_text import accept, map_text, write_new
from loaders.mapping import ChannelMap, TimeColumn, text_table, unit_for
from loaders.preview import Preview


def settle(preview: Preview, folder: Path, *, propose: bool, accepted: bool) -> tuple[str, ...]:
    """Write or accept a channel map as asked, and say what was done.

    Without being asked a proposal is written only into a logbook, and only when no map fits.

    Raises
    ------
    InputError
        If something is still open that is to be accepted, or a file is in the way.
    """
    if accepted:
        return _accepted(preview, folder)
    if propose or (not preview.fitting and (folder / "build_sheet.toml").is_file()):
        return _proposed(preview, folder)
    if preview.accepted:
        return (f"{preview.accepted.path.name} fits and is accepted: 'sidegear add' uses it.",)
    if preview.pending:
        name = preview.pending.path.name
        return (f"{name} fits but waits: look it over, then run this again with --accept.",)
    if preview.fitting:
        names = " and ".join(each.path.name for each in preview.fitting)
        return (f"{names} both fit: name one with 'sidegear add --map'.",)
    return ("No channel map fits. Name a logbook with --logbook to have one proposed there.",)


def _accepted(preview: Preview, folder: Path) -> tuple[str, ...]:
    if preview.pending:
        if preview.pending.time == TimeColumn():
            msg = (
                f"{preview.pending.path.name}: [time] is still open: state rate_hz, the rows that "
                "the log has in a second, or the column of the time. Then run this again."
            )
            raise InputError(msg)
        _refuse_unusable_units(preview, preview.pending)
        accept(preview.pending.path)
        return (f"{preview.pending.path.name} is accepted: 'sidegear add' uses it from now on.",)
    if preview.fitting:
        return (f"{preview.fitting[0].path.name} fits and is accepted already.",)
    still_open = open_points(preview)
    if still_open:
        msg = (
            f"{preview.log.name}: cannot be accepted unseen: {'; '.join(still_open)}. Run this "
            "with --propose, put that right in the map it writes, then run it with --accept; or "
            "say which column is what with --is COLUMN=CHANNEL."
        )
        raise InputError(msg)
    said = _proposed(preview, folder)
    accept(_target(preview, folder))
    return (said[0].replace("Proposed", "Proposed and accepted"),)


def open_points(preview: Preview) -> list[str]:
    """What a person has to decide before the proposal can be used."""
    proposals = preview.proposals
    found = [*proposals.notes, *(f"cannot tell {tie.question}" for tie in proposals.ties)]
    if proposals.rate is not None:
        fits = proposals.rate.fitting_hz
        found.append(
            "how many rows the log has in a second: no column is a time"
            + (f"; {fits:g} fit its columns" if fits else "")
        )
    found += [
        f"the radius that the logger used for '{each.column}'"
        for each in proposals.entries
        if each.radius_open
    ]
    return found


def _target(preview: Preview, folder: Path) -> Path:
    return folder / f"channels_{preview.log.stem}.toml"


def _refuse_unusable_units(preview: Preview, pending: ChannelMap) -> None:
    """Raise with every entry that ``add`` would refuse: better said now than at the next log."""
    problems = []
    for name, entry in pending.channels.items():
        place = f"{preview.log.name}: column '{entry.column}'"
        try:
            unit_for(name, entry, preview.stated.get(entry.column), place, pending.path.name)
        except InputError as problem:
            problems.append(str(problem))
    if problems:
        raise InputError.gathered([*problems, "Then run this again."])


def _proposed(preview: Preview, folder: Path) -> tuple[str, ...]:
    if not (preview.proposals.entries or preview.proposals.ties) or not (
        preview.proposals.time or preview.proposals.rate
    ):
        why = "; ".join(preview.proposals.notes) or "no column shows what it is"
        return (f"No map can be proposed: {why}. Write channels.toml yourself.",)
    path = _target(preview, folder)
    text = text_table(preview.habits)
    write_new(path, map_text(preview.proposals, preview.log.name, preview.stated, text))
    still_open = open_points(preview)
    asks = [f"  still open: {point}" for point in still_open]
    return (
        f"Proposed in {path}. Look it over, then run this again with --accept.",
        *asks,
    )
