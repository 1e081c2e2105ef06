"""Which side is left: everything in a log that tells sides, put to the vote.

A log and its mirror image obey the same physics. So sides are known only as far as something in
the log is tied to the world: a word in a column's name, or a position that reads one way only.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from loaders.evidence import LEAST_ACCORD, FloatArray, accord

# A degree of latitude, and a radian, on a sphere of the earth's mean radius (IUGG: 6 371 008.8 m).
METRES = {"deg": 6_371_008.8 * math.pi / 180, "rad": 6_371_008.8}
# How far the ratio of the two scales may be off the cosine of the latitude.
_COSINE_OFF = 0.02


@dataclass(frozen=True, slots=True)
class Vote:
    """One thing in the log that says which way the car turns."""

    name: str
    """A channel, or in words what it is that says so."""
    sense: float
    """1 when it counts the reference's positive turns as left turns, -1 as right; see `accord`."""
    weight: int = 1
    samples: int = 0


@dataclass(frozen=True, slots=True)
class Poll:
    """How everything that tells sides has voted on the sign of one reference."""

    left: tuple[Vote, ...]
    """Votes for its positive being left."""
    right: tuple[Vote, ...]

    @property
    def positive_left(self) -> bool | None:
        """Whether positive is left by the majority of the votes; None when they are even."""
        ayes, noes = (sum(vote.weight for vote in votes) for votes in (self.left, self.right))
        return None if ayes == noes else ayes > noes

    @property
    def losers(self) -> tuple[Vote, ...]:
        """The votes against the majority; the fewer ones when it is even."""
        if self.positive_left is None:
            return min(self.right, self.left, key=len)
        return self.right if self.positive_left else self.left

    @property
    def winners(self) -> tuple[Vote, ...]:
        """The others."""
        return self.left if self.losers is self.right else self.right

    @property
    def samples(self) -> int:
        """From how many samples the best founded of them speaks."""
        return max((vote.samples for vote in (*self.left, *self.right)), default=0)


def poll(votes: Iterable[Vote]) -> Poll:
    """Count the votes; those that neither agree nor disagree clearly abstain.

    >>> poll([Vote("a", 1.0), Vote("b", 0.9), Vote("c", -1.0), Vote("d", 0.3)]).losers[0].name
    'c'
    """
    clear = [vote for vote in votes if abs(vote.sense) > LEAST_ACCORD]
    return Poll(
        tuple(vote for vote in clear if vote.sense > 0),
        tuple(vote for vote in clear if vote.sense < 0),
    )


def vote_of(name: str, signal: FloatArray, reference: FloatArray, weight: int = 1) -> Vote:
    """The vote of a signal that is positive in left turns, if it is what its name says."""
    sense, samples = accord(signal, reference)
    return Vote(name, sense, weight, samples)


def geographic(
    scale: tuple[float, float], middle: tuple[float, float], speed_si: float
) -> tuple[int, str] | None:
    """Which of two columns of a path is the latitude (0 or 1) and its unit, or None.

    A degree of longitude is shorter than one of latitude by the latitude's cosine, so only one way
    round gives the speed in every direction. On the equator both do.

    >>> geographic((111195.0, 78626.0), (45.0, 7.0), 1.0)
    (0, 'deg')
    """
    for unit, metres in METRES.items():
        fits = [
            abs(scale[i] * speed_si / metres - 1) < _COSINE_OFF * 2
            and abs(scale[1 - i] / scale[i] - _cosine(middle[i], unit)) < _COSINE_OFF
            for i in (0, 1)
        ]
        if sum(fits) == 1:
            return fits.index(True), unit
    return None


def _cosine(angle: float, unit: str) -> float:
    return math.cos(math.radians(angle) if unit == "deg" else angle)
