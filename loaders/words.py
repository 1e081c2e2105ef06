"""What the text of a column says it is, in the plain words of several languages."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Literal

from loaders.channels import Quantity
from loaders.units import canonical

Side = Literal["left", "right"]
Axle = Literal["front", "rear"]

# Ordinary words and their usual short forms; no list of anybody's channel names.
_WORDS: dict[str, str] = {
    "wheel": "wheel whl wheelspeed roue rueda ruota roda raddrehzahl omega",
    "torque": "torque trq tq moment drehmoment couple coppia binario t m",
    "shaft": "shaft halfshaft driveshaft axle welle antriebswelle halbwelle arbre semieje semiasse",
    "input": "input ring crownwheel propshaft kardan eingang pinion",
    "engine": "engine eng motor moteur motore crank kurbelwelle",
    "speed": "speed spd velocity geschwindigkeit vitesse velocidad velocita vel v tempo",
    "turns": "rpm revs rev drehzahl regime giri revolutions n omega",
    "yaw": "yaw yawrate gier gierrate lacet guinada imbardata",
    "brake": "brake brk bremse bremsdruck frein freno freio",
    "throttle": "throttle thr gas papillon accelerateur acelerador farfalla drosselklappe pedal",
    "gear": "gear gang rapport marcha marcia",
    "lap": "lap runde tour vuelta giro",
    "beacon": "beacon marker trigger start startline",
    "latitude": "latitude breite breitengrad latitud latitudine",
    "longitude": "longitude lon lng laengengrad longitud longitudine",
    "steer": "steer steering lenkwinkel lenkrad lenkung volant volante sterzo direccion",
    "accel": "acc accel acceleration beschleunigung aceleracion accelerazione a g",
    "long": "long longitudinal laengs x forward fwd",
    "lat": "lat lateral quer y side",
    "position": "pos position posicion posizione",
    "x": "x east ost est este",
    "y": "y north nord norte",
    "oil": "oil oel huile aceite olio diff differential",
    "ambient": "ambient air aussen umgebung",
    "temperature": "temp temperature temperatur temperatura",
    "distance": "distance dist strecke weg distancia distanza",
    "time": "time zeit temps tiempo tempo t timestamp",
    "left": "left lh links gauche izquierda izq sinistra sx",
    "right": "right rh rechts droite droit derecha der destra dx",
}
_MEANINGS: dict[str, set[str]] = {}
for _meaning, _texts in _WORDS.items():
    for _text in _texts.split():
        _MEANINGS.setdefault(_text, set()).add(_meaning)
# Front/rear with left/right: English, German (vorn, hinten), French (avant, arrière).
_CORNERS: dict[str, tuple[Axle, Side]] = {
    "fl": ("front", "left"), "fr": ("front", "right"), "rl": ("rear", "left"),
    "rr": ("rear", "right"), "lf": ("front", "left"), "rf": ("front", "right"),
    "lr": ("rear", "left"), "vl": ("front", "left"), "vr": ("front", "right"),
    "hl": ("rear", "left"), "hr": ("rear", "right"), "avg": ("front", "left"),
    "avd": ("front", "right"), "arg": ("rear", "left"), "ard": ("rear", "right"),
}  # fmt: skip
_AXLES: dict[str, Axle] = {
    "front": "front", "vorn": "front", "vorne": "front", "avant": "front", "rear": "rear",
    "back": "rear", "hinten": "rear", "arriere": "rear",
}  # fmt: skip
_PAIR_CHANNELS: tuple[tuple[str, set[str]], ...] = (
    ("latitude_rad", {"latitude"}),
    ("longitude_rad", {"longitude"}),
    ("yaw_rate_radps", {"yaw"}),
    ("steering_angle_rad", {"steer"}),
    ("brake_pressure_pa", {"brake"}),
    ("throttle_ratio", {"throttle"}),
    ("oil_temperature_c", {"oil", "temperature"}),
    ("ambient_temperature_c", {"ambient", "temperature"}),
    ("engine_torque_nm", {"engine", "torque"}),
    ("engine_speed_radps", {"engine", "speed"}),
    ("engine_speed_radps", {"engine", "turns"}),
    ("engine_speed_radps", {"engine"}),
    ("input_torque_nm", {"input", "torque"}),
    ("shaft_torque", {"torque", "shaft"}),
    ("wheel_speed", {"wheel"}),
    ("lap_beacon", {"beacon"}),
    ("lap_number", {"lap"}),
    ("gear", {"gear"}),
    ("accel_long_mps2", {"accel", "long"}),
    ("accel_lat_mps2", {"accel", "lat"}),
    ("accel_lat_mps2", {"accel", "left"}),
    ("accel_lat_mps2", {"accel", "right"}),
    ("position_x_m", {"position", "x"}),
    ("position_y_m", {"position", "y"}),
    ("distance_m", {"distance"}),
    ("speed_mps", {"speed"}),
)
_ALONE = {"east": "position_x_m", "north": "position_y_m", "lat": "latitude_rad"}


@dataclass(frozen=True, slots=True)
class Hint:
    """What a column's text says: a channel, or the kind of one; side, axle and unit."""

    channel: str | None = None
    """A channel's name; ``wheel_speed`` or ``shaft_torque`` when the text leaves which one open."""
    side: Side | None = None
    axle: Axle | None = None
    unit: str | None = None


def hint_of(text: str) -> Hint:
    """What a column's text says.

    >>> hint_of("Wheel speed FL [km/h]")
    Hint(channel='wheel_speed', side='left', axle='front', unit=None)
    >>> hint_of("YAW_RIGHT_DEGPS")
    Hint(channel='yaw_rate_radps', side='right', axle=None, unit='deg/s')
    >>> hint_of("c7").channel is None
    True
    """
    tokens = _tokens(text)
    meanings = set().union(*(_MEANINGS.get(token, set()) for token in tokens)) if tokens else set()
    corner = next((_CORNERS[token] for token in tokens if token in _CORNERS), None)
    axle = corner[0] if corner else next((_AXLES[t] for t in tokens if t in _AXLES), None)
    side: Side | None = corner[1] if corner else None
    if side is None and ("left" in meanings) != ("right" in meanings):
        side = "left" if "left" in meanings else "right"
    channel = _channel(tokens, meanings, wheel=corner is not None)
    if side is None and channel in ("wheel_speed", "shaft_torque"):
        side = "left" if "l" in tokens else "right" if "r" in tokens else None
    return Hint(channel, side, axle, _unit(tokens) if channel else None)


def _channel(tokens: list[str], meanings: set[str], *, wheel: bool) -> str | None:
    for channel, needed in _PAIR_CHANNELS:
        # A single letter means little on its own; with a second word it does.
        if needed <= meanings and (len(needed) > 1 or not _by_letter_only(tokens, needed)):
            return channel
    if wheel and meanings & {"speed", "turns"}:
        return "wheel_speed"
    sided = wheel or bool(meanings & {"left", "right"} or {"l", "r"} & set(tokens))
    if sided and "torque" in meanings and not _by_letter_only(tokens, {"torque"}):
        return "shaft_torque"
    alone = next((_ALONE[token] for token in tokens if token in _ALONE), None)
    return alone or ("speed_mps" if tokens == ["v"] else None)


def _by_letter_only(tokens: list[str], needed: set[str]) -> bool:
    return all(len(token) < 2 for token in tokens if _MEANINGS.get(token, set()) & needed)


def is_time(text: str) -> bool:
    """Whether a column's text says that it is the time."""
    return any("time" in _MEANINGS.get(token, set()) for token in _tokens(text))


_UNIT_TOKENS = {
    "rpm": "rpm", "kph": "km/h", "kmh": "km/h", "mph": "mph", "mps": "m/s", "degps": "deg/s",
    "dps": "deg/s", "radps": "rad/s", "nm": "N m", "mps2": "m/s2", "mpss": "m/s2",
    "m": "m", "g": "g", "pct": "%", "percent": "%",
    "kpa": "kPa", "bar": "bar", "psi": "psi", "deg": "deg", "rad": "rad",
}  # fmt: skip


def _tokens(text: str) -> list[str]:
    bare = re.sub(r"[\[(][^\[\]()]*[\])]\s*$", "", text)
    bare = bare.replace("ä", "ae").replace("ö", "oe").replace("ü", "ue")
    plain = unicodedata.normalize("NFKD", bare).encode("ascii", "ignore").decode()
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", plain)
    tokens = [token.lower() for token in re.split(r"[^A-Za-z0-9]+", parted) if token]
    return [t if t in _UNIT_TOKENS else t.strip("0123456789") or t for t in tokens]


def _unit(tokens: list[str]) -> str | None:
    """The unit that stands as a word at the end of the text."""
    return _UNIT_TOKENS.get(tokens[-1]) if tokens else None


def fits(unit: str | None, quantity: Quantity) -> str | None:
    """The unit in our own spelling when it is one of this quantity."""
    return canonical(unit, quantity) if unit else None
