"""How hard the washers press the packs as built, and what height and shims have to do with it."""

from __future__ import annotations

from pipeline.build_sheet import BuildSheet
from pipeline.disc_spring import compression_near, force_range, stack_force
from pipeline.estimate import Missing, Predicted, Prediction

Range = tuple[float, float]


def between(low: float, high: float, unit: str, method: str) -> Predicted:
    """A prediction in the middle of its range."""
    low, high = min(low, high), max(low, high)
    return Predicted(0.5 * (low + high), low, high, unit, method)


def as_built(sheet: BuildSheet) -> Prediction:
    """How far the washers are pressed as built. [m]

    Notes
    -----
    Free height of the washers plus everything that stands in the housing with them, less the
    housing's depth.
    """
    stated, stack = sheet.stack, sheet.washers.stack
    if stated.washer_compression_m is not None:
        return between(*stated.washer_compression_m, "m", "stated in the build sheet")
    absent = [] if stack else ["the washers' sizes under [washers]"]
    absent += [
        f"{key} under [stack]"
        for key in ("housing_depth_m", "parts_height_m", "shim_m")
        if getattr(stated, key) is None
    ]
    if absent:
        return Missing(f"the build sheet leaves out {', '.join(absent)}")
    assert stack is not None
    assert stated.housing_depth_m is not None
    assert stated.parts_height_m is not None
    assert stated.shim_m is not None
    free = stack.free_height_m + stated.shim_m
    return between(
        max(free + stated.parts_height_m[0] - stated.housing_depth_m[1], 0.0),
        free + stated.parts_height_m[1] - stated.housing_depth_m[0],
        "m",
        "from the stack's heights in the build sheet; the range is that of its heights",
    )


def spring_force(sheet: BuildSheet) -> Prediction:
    """Force of the washers on the packs: as stated, else from their sizes and compression. [N]"""
    if sheet.differential.spring_force_n is not None:
        return between(*sheet.differential.spring_force_n, "N", "stated in the build sheet")
    stack, pressed = sheet.washers.stack, as_built(sheet)
    if stack is None:
        return Missing("the build sheet leaves out spring_force_n and the washers' sizes")
    if isinstance(pressed, Missing):
        return pressed
    if pressed.high > stack.travel_m:
        return Missing(
            f"the stack's heights press the washers by up to {1000 * pressed.high:.2f} mm, but "
            f"they are flat at {1000 * stack.travel_m:.2f} mm: measure the stack again before it "
            "is assembled"
        )
    low, high = sheet.washers.shares
    # Along the curve a tall washer may push hardest before the end of the range.
    ends = [
        force_range(stack, pressed.low + part * (pressed.high - pressed.low))
        for part in (0.0, 0.25, 0.5, 0.75, 1.0)
    ]
    return between(
        low * min(end[0] for end in ends),
        high * max(end[1] for end in ends),
        "N",
        "from washers and heights; the range is that of the heights, of the friction between "
        "washers and of " + _share_words(sheet),
    )


def _share_words(sheet: BuildSheet) -> str:
    measured = sheet.washers.force_share is not None
    return "their measured force" if measured else "what the standard allows new washers"


def travel_left(sheet: BuildSheet) -> Prediction:
    """How much further the washers can be pressed until they are flat. [m]"""
    stack, pressed = sheet.washers.stack, as_built(sheet)
    if stack is None:
        return Missing("the build sheet leaves out the washers' sizes")
    if isinstance(pressed, Missing):
        return pressed
    travel = stack.travel_m
    return between(travel - pressed.high, travel - pressed.low, "m", pressed.method)


def compression_for(sheet: BuildSheet, force_n: Range) -> Range | Missing:
    """How far the washers are pressed when they push with a force in a range. [m]

    Notes
    -----
    Of a tall washer's several compressions the one nearest to how it was built. Widened by the
    friction between washers and by how well their own force is known.
    """
    stack, pressed = sheet.washers.stack, as_built(sheet)
    if stack is None:
        return Missing("the build sheet leaves out the washers' sizes")
    built = 0.7 * stack.travel_m if isinstance(pressed, Missing) else pressed.value
    let_out, pressed_in = (
        end / float(stack_force(stack, built)) for end in force_range(stack, built)
    )
    low, high = sheet.washers.shares
    ends = [
        compression_near(stack, max(force_n[0], 0.0) / (high * pressed_in), built),
        compression_near(stack, max(force_n[1], 0.0) / (low * let_out), built),
    ]
    known = [end for end in ends if end is not None]
    if len(known) < len(ends):
        return Missing(
            f"the washers of the build sheet do not push with {force_n[1]:.0f} N even when flat"
        )
    return min(known), max(known)
