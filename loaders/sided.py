"""The columns that move together, with everything in them that depends on which side is left."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from loaders import scales
from loaders.channels import Quantity
from loaders.evidence import ratio_of
from loaders.judging import SIGN, Look, judged, torque, torque_sides
from loaders.proposals import Confidence, Option, Proposal, Tie
from loaders.sides import Vote, decided, geographic, votes
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
    cast = votes(motion, log.hints, torque_sides(log), order, path_text)
    left = decided(cast)
    axle, axle_why = _driven_axle(log)
    notes = _contradictions(cast, left) + _axle_contradictions(log, axle)
    lefts = [left] if left is not None else [True, False]
    axles: list[Axle | None] = [axle] if axle or not motion.driven else ["rear", "front"]
    reason = _said(cast, left)
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


def _said(cast: list[Vote], left: bool | None) -> str:
    texts = [vote.text for vote in cast if vote.positive_left == left]
    more = f" and {len(texts) - 1} more that agree" if len(texts) > 1 else ""
    return f"{texts[-1]}{more}" if texts else ""


def _contradictions(cast: list[Vote], left: bool | None) -> list[str]:
    against = [vote.text for vote in cast if left is not None and vote.positive_left != left]
    with_it = [vote.text for vote in cast if vote.positive_left == left]
    if left is None and cast:
        texts = " against ".join(vote.text for vote in cast)
        return [f"what tells left from right in this log contradicts itself: {texts}"]
    return [
        f"left and right: {text} contradict {', '.join(with_it)}; swapped, or a wrong sign"
        for text in against
    ]
