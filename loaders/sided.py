"""The columns that move together, with everything in them that depends on which side is left."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from loaders import scales
from loaders.channels import Quantity
from loaders.evidence import off_power, ratio_of
from loaders.judging import SIGN, Look, judged, torque, torque_sides
from loaders.proposals import Confidence, Option, Proposal, Tie
from loaders.sides import Poll, Vote, geographic, poll, vote_of
from loaders.words import Axle

# Without a statement only wheels that agree with the ground within their slip are linear.
_LINEAR_WITHIN = 0.03


def moving(log: Look) -> tuple[list[Proposal], list[Tie], list[str]]:
    """Proposals for the columns that move together, what is open between them, contradictions."""
    motion = log.motion
    entries: list[Proposal] = []
    if motion.speed is not None:
        why = "keeps to one ratio with the wheel speeds and to the middle of them in corners"
        entries.append(judged(log, motion.speed, "speed_mps", why, kind="speed"))
    if motion.accel is not None:
        why = "follows the change of speed"
        made = judged(log, motion.accel, "accel_long_mps2", why, kind="accel")
        entries.append(replace(made, sign=SIGN[motion.accel_slope > 0]))
    entries += [_distance(log, column) for column in motion.distances]
    path, order, path_text = _path(log)
    cast = poll(_votes(log, order, path_text))
    left = cast.positive_left
    axle, axle_why = _driven_axle(log)
    notes = _contradictions(cast) + _axle_contradictions(log, axle)
    lefts = [left] if left is not None else [True, False]
    axles: list[Axle | None] = [axle] if axle or not motion.driven else ["rear", "front"]
    reason = _said(cast)
    options = [
        Option(
            _label(log, is_left, each, open_side=len(lefts) > 1, open_axle=len(axles) > 1),
            tuple(_sided(log, is_left, each, reason, axle_why)),
        )
        for is_left, each in itertools.product(lefts, axles)
    ]
    if path is not None:
        entries += path
    if len(options) == 1:
        return entries + list(options[0].proposals), [], notes
    common = [each for each in options[0].proposals if all(each in o.proposals for o in options)]
    rest = [Option(o.label, tuple(p for p in o.proposals if p not in common)) for o in options]
    if not rest[0].proposals:
        return entries + common, [], notes
    question = _question(open_side=len(lefts) > 1, open_axle=len(axles) > 1)
    return entries + common, [Tie(question, tuple(rest))], notes


def _distance(log: Look, column: str) -> Proposal:
    made = judged(log, column, "distance_m", "grows in step with the speed")
    if log.motion.speed is None or made.unit is not None:
        return made
    unit = scales.distance_unit(log.motion.distances[column], log.units.units["speed"])
    return replace(made, unit=unit, reason=f"{made.reason}; {unit} agrees with the other columns")


def _question(*, open_side: bool, open_axle: bool) -> str:
    asked = []
    if open_side:
        asked.append(
            "which side is left: a log and its mirror image look the same, and no name and no "
            "geographic position tells one from the other"
        )
    if open_axle:
        asked.append("whether the driven axle is the rear or the front one: the log shows neither")
    return "; ".join(asked)


def _label(log: Look, is_left: bool, axle: Axle | None, *, open_side: bool, open_axle: bool) -> str:
    said = []
    if open_side:
        said.append(f"'{log.motion.turning}' is positive in {'left' if is_left else 'right'} turns")
    if open_axle:
        said.append(f"the driven axle is the {axle} one")
    return " and ".join(said) or "nothing is open"


def _sided(
    log: Look, is_left: bool, axle: Axle | None, reason: str, axle_why: str
) -> list[Proposal]:
    """Everything that depends on which side is left."""
    motion, made = log.motion, []
    sides = f"sides by {reason}" if reason else "its side is open"
    if motion.yaw:
        why = f"turns with the difference of the wheel speeds; {sides}"
        one = judged(log, motion.yaw, "yaw_rate_radps", why, kind="yaw")
        made.append(replace(one, sign=SIGN[is_left]))
    if motion.lateral:
        same = motion.lateral_slope > 0 if motion.yaw else True
        does = "is speed times yaw rate" if motion.yaw else "turns with the wheels"
        why = f"{does}; {sides}"
        one = judged(log, motion.lateral, "accel_lat_mps2", why, kind="lateral")
        made.append(replace(one, sign=SIGN[is_left == same]))
    if motion.steering:
        made.append(_steering(log, is_left, sides))
    made += _wheels(log, is_left, axle, sides, axle_why)
    made += _shafts(log, is_left, sides)
    if motion.path and _path(log)[0] is None:
        made += _turned_path(log, is_left)
    return made


def _steering(log: Look, is_left: bool, sides: str) -> Proposal:
    column = log.motion.steering or ""
    why = f"follows yaw rate over speed; {sides}"
    made = judged(log, column, "steering_angle_rad", why)
    sign = SIGN[is_left == (log.motion.steering_sign > 0)]
    if made.unit is None:
        large = float(np.nanpercentile(np.abs(log.grid[column]), 99)) > 3.0
        unit = "deg" if large else "rad"
        why = f"{made.reason}; {unit} by its size alone"
        made = replace(made, unit=unit, confidence=Confidence.GUESS, reason=why)
    return replace(made, sign=sign)


def _wheels(
    log: Look, is_left: bool, axle: Axle | None, sides: str, axle_why: str
) -> list[Proposal]:
    motion, made = log.motion, []
    for column in motion.wheels:
        share = motion.share.get(column)
        driven = column in motion.driven
        own = log.hints[column]
        end: Axle | None = own.axle
        if motion.driven and axle:
            end = axle if driven else ("front" if axle == "rear" else "rear")
        on_left = own.side == "left" if share is None else (share < 0) == is_left
        if end is None or (share is None and own.side is None):
            continue
        channel = f"wheel_speed_{end[0]}{'l' if on_left else 'r'}_radps"
        slips = "slips under drive" if driven else "does not slip under drive"
        why = f"keeps to one ratio with the speed; {slips if motion.driven else 'axle by its name'}"
        why = f"{why}{axle_why if motion.driven else ''}; {sides}"
        made.append(_wheel(log, column, channel, why, driven=driven))
    return made


def _wheel(log: Look, column: str, channel: str, why: str, *, driven: bool) -> Proposal:
    hint = log.hints[column]
    made = judged(log, column, channel, why)
    side = "left" if channel[13] == "l" else "right"
    end = "front" if channel[12] == "f" else "rear"
    if (hint.side or side) != side or (hint.axle or end) != end:
        says = " ".join(word for word in (hint.axle, hint.side) if word)
        reason = f"{made.reason}. ITS NAME SAYS {says.upper()}"
        made = replace(made, confidence=Confidence.GUESS, reason=reason)
    if log.motion.speed is None:
        return made
    made = _with_wheel_unit(log, made)
    if made.unit in scales.LINEAR_WHEEL_UNITS:
        radius = log.car.driven_radius_m if driven else log.car.undriven_radius_m
        made = replace(made, rolling_radius_m=radius, radius_open=radius is None)
        if radius is not None:
            why = f"{made.reason}; the radius is the build sheet's, check that the logger used it"
            made = replace(made, reason=why)
    return made


def _with_wheel_unit(log: Look, made: Proposal) -> Proposal:
    ratio = ratio_of(log.grid[made.column], log.speed)
    speed_unit = log.units.units.get("speed", "m/s")
    stated = log.unit(made.column, made.channel)
    agreeing = scales.wheel_units(ratio, speed_unit)
    if stated in agreeing or (stated == "1/min" and "rpm" in agreeing):
        return replace(made, unit=stated)
    fitting = scales.wheel_units(ratio, speed_unit, _LINEAR_WITHIN)
    if not fitting:
        return made
    unit, others = fitting[0], fitting[1:]
    but = f"the log states {stated}, but " if stated else ""
    rival = f", and {' or '.join(others)} would look the same" if others else ""
    confidence = Confidence.GUESS if stated or others else made.confidence
    reason = f"{made.reason}; {but}its ratio to the speed means {unit}{rival}"
    return replace(made, unit=unit, confidence=confidence, reason=reason)


def _shafts(log: Look, is_left: bool, sides: str) -> list[Proposal]:
    if log.torques is None:
        return []
    plus = torque_sides(log)
    if not plus:
        why = "drives the car; side by its name"
        named = {k: side for k in log.torques if (side := log.hints[k].side)}
        return [torque(log, k, f"shaft_torque_{side}_nm", why) for k, side in named.items()]
    made = []
    for column in log.torques:
        side = "right" if plus[column] == is_left else "left"
        why = f"drives the car, and is greater while the wheel on its side is the slower; {sides}"
        one = torque(log, column, f"shaft_torque_{side}_nm", why)
        if log.hints[column].side not in (None, side):
            says = f"{one.reason}. ITS NAME SAYS {str(log.hints[column].side).upper()}"
            one = replace(one, confidence=Confidence.GUESS, reason=says)
        made.append(one)
    return made


def _path(log: Look) -> tuple[list[Proposal] | None, tuple[str, str] | None, str]:
    """Position, when it is known which way round it is: its columns east and north, and how."""
    pair = log.motion.path
    if pair is None:
        return None, None, ""
    middle = (float(np.nanmedian(log.grid[pair[0]])), float(np.nanmedian(log.grid[pair[1]])))
    v_si = scales.factor(log.units.units.get("speed", "m/s"), Quantity.SPEED)
    found = geographic(log.motion.path_scale, middle, v_si)
    if found is not None:
        north, unit = pair[found[0]], found[1]
        east = pair[1 - found[0]]
        why = "the path gives the speed in every direction only this way round"
        made = [
            replace(judged(log, column, channel, why), unit=unit)
            for column, channel in ((north, "latitude_rad"), (east, "longitude_rad"))
        ]
        return made, (east, north), "the geographic position"
    told = [log.hints[k].channel for k in pair]
    for channels in (("position_x_m", "position_y_m"), ("longitude_rad", "latitude_rad")):
        if set(told) == set(channels):
            east, north = (pair[told.index(channel)] for channel in channels)
            kind = "path" if channels[0] == "position_x_m" else ""
            made = [
                judged(log, column, channel, "the path gives the speed", kind=kind)
                for column, channel in zip((east, north), channels, strict=True)
            ]
            return made, (east, north), f"the path in '{east}' and '{north}'"
    return None, None, ""


def _turned_path(log: Look, is_left: bool) -> list[Proposal]:
    first, second = log.motion.path or ("", "")
    if log.motion.path_turn and (log.motion.path_turn > 0) != is_left:
        first, second = second, first
    why = "the path gives the speed; east and north may be turned, not mirrored"
    return [
        judged(log, column, channel, why, kind="path")
        for column, channel in ((first, "position_x_m"), (second, "position_y_m"))
    ]


def _driven_axle(log: Look) -> tuple[Axle | None, str]:
    driven = log.motion.driven
    if not driven:
        return None, ""
    named: set[Axle] = set()
    for column in log.motion.wheels:
        if (said := log.hints[column].axle) is not None:
            named.add(said if column in driven else ("front" if said == "rear" else "rear"))
    if len(named) == 1:
        return named.pop(), ""
    if log.car.driven_axle:
        return log.car.driven_axle, f", and the build sheet's driven axle is {log.car.driven_axle}"
    return None, ""


def _axle_contradictions(log: Look, axle: Axle | None) -> list[str]:
    stated = log.car.driven_axle
    if axle and stated and axle != stated:
        msg = (
            f"by name the wheels that slip under drive are the {axle} ones, but the build sheet "
            f"says driven_axle = '{stated}'"
        )
        return [msg]
    return []


def _said(cast: Poll) -> str:
    texts = [vote.name for vote in cast.winners] if cast.positive_left is not None else []
    more = f" and {len(texts) - 1} more that agree" if len(texts) > 1 else ""
    return f"{texts[-1]}{more}" if texts else ""


def _contradictions(cast: Poll) -> list[str]:
    if cast.positive_left is None and cast.left:
        texts = " against ".join(vote.name for vote in (*cast.left, *cast.right))
        return [f"what tells left from right in this log contradicts itself: {texts}"]
    with_it = ", ".join(vote.name for vote in cast.winners)
    return [
        f"left and right: {vote.name} contradict {with_it}; swapped, or a wrong sign"
        for vote in cast.losers
    ]


def _votes(log: Look, order: tuple[str, str] | None, path_text: str) -> list[Vote]:
    """What names and a position say of the sign of the turning column."""
    motion = log.motion
    if motion.turning is None:
        return []
    turning = log.grid[motion.turning]
    cast = [
        vote
        for axle in (True, False)
        if (vote := _of_wheels(log, [k for k in motion.wheels if (k in motion.driven) == axle]))
    ]
    cast += _of_torques(log)
    for column in (motion.yaw, motion.lateral, motion.steering):
        side = log.hints[column].side if column else None
        if column and side:
            signal = log.grid[column] if side == "left" else -log.grid[column]
            cast.append(vote_of(f"the name of '{column}' says {side}", signal, turning))
    if order and motion.path_turn:
        forward = order == motion.path
        cast.append(Vote(path_text, 1.0 if (motion.path_turn > 0) == forward else -1.0, 2))
    return cast


def _of_wheels(log: Look, wheels: list[str]) -> Vote | None:
    """The vote of an axle's wheels by their names: off power the right ones are faster in lefts."""
    plus = {k: log.motion.share[k] > 0 for k in wheels if k in log.motion.share}
    side, names = _named_side(log, plus)
    parts = {k: log.grid[k] / ratio_of(log.grid[k], log.speed) for k in plus}
    faster, slower = ([parts[k] for k in plus if plus[k] is which] for which in (True, False))
    if side is None or not faster or not slower:
        return None
    excess = np.where(
        off_power(log.speed), np.mean(faster, axis=0) - np.mean(slower, axis=0), np.nan
    )
    turning = log.grid[log.motion.turning or ""]
    return vote_of(f"the names of wheel speeds {names}", excess if side else -excess, turning)


def _named_side(log: Look, plus: Mapping[str, bool]) -> tuple[bool | None, str]:
    """Whether columns on the side that is faster in positive turns are called right; their names.

    None when no name says so, or names differ.
    """
    said = {k: log.hints[k].side for k in plus if log.hints[k].side}
    cast = {(side == "right") == plus[k] for k, side in said.items()}
    return (cast.pop() if len(cast) == 1 else None), " and ".join(f"'{k}'" for k in said)


def _of_torques(log: Look) -> list[Vote]:
    """The vote of the half-shaft torques' names, through the wheels that their lock holds back."""
    side, names = _named_side(log, torque_sides(log))
    return [] if side is None else [Vote(f"the names of torques {names}", 1.0 if side else -1.0)]
