"""What is remembered between calls of production's rhythm, as plain numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

#: Log odds of a set-up before anything is known.
AT_FIRST = -3.0
#: A set-up that has lasted longer is a production of ever other levels (s).
LONGEST_S = 7200.0
MOST_RESTS = 20
REST_HOLD_S = (6.0, 120.0)


@dataclass(frozen=True, slots=True)
class RhythmCarry:
    """What has been learnt, as plain numbers: levels (id, demand, weight), successions (id, id, weight) and more."""

    known: tuple[tuple[float, ...], ...] = ((0.0, 0.0, 0.0),)
    follows: tuple[tuple[float, ...], ...] = ()
    recent: tuple[int, ...] = ()
    rests_s: tuple[float, ...] = ()  # how long the latest rests at zero in production lasted
    odds: float = AT_FIRST
    last_s: float | None = None  # since when the present level is known
    grown: float = 1.0  # weight of the next level (later ones weigh more, which lets earlier ones fade)
    next_id: int = 1
    by_hand_since_s: float | None = None  # since when a set-up has been likelier than production

    @property
    def set_up(self) -> bool:
        """Whether a set-up is likelier than production, and has not been for so long that it must be production."""
        return is_set_up(self.odds, self.by_hand_since_s, self.last_s)

    @property
    def rest_hold_s(self) -> float:
        """How long the command must have been at zero to be more than a usual rest: twice the usual, 6 to 120 s."""
        return rest_hold_s_of(self.rests_s)

    def cycle_pct(self) -> list[int]:
        """Levels of production (percent of command, ascending), those that make up at least 3 % of all."""
        total = sum(weight for _, _, weight in self.known)
        if total < 10.0 * self.grown:
            return []
        return sorted({round(100.0 * max(u, 0.0)) for _, u, weight in self.known if weight >= 0.03 * total})


def rest_hold_s_of(rests_s: Sequence[float]) -> float:
    """How long a rest must be to be more than a usual one (s), from the latest usual ones."""
    if len(rests_s) < 5:
        return REST_HOLD_S[1]
    usual = sorted(rests_s)[-2]  # one odd rest in twenty is none
    return min(max(2.0 * usual, REST_HOLD_S[0]), REST_HOLD_S[1])


def is_set_up(odds: float, since_s: float | None, now_s: float | None) -> bool:
    """Whether log odds above zero since `since_s` are still to be taken for a set-up at `now_s` (unix s)."""
    lasting = 0.0 if since_s is None or now_s is None else now_s - since_s
    return odds > 0.0 and lasting < LONGEST_S
