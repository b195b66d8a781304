"""What the recorder needs of a judge, so that it can be handed any."""

from __future__ import annotations

from typing import Any, Protocol

from asleft.judge.types import ChartPoint, Judgement, Samples, StateInterval
from asleft.sheet.model import Sheet


class Taken(Protocol):
    """What comes of readings taken in, before they are judged."""

    @property
    def state(self) -> Any:  # noqa: ANN401 - each judge has a state of its own
        """State to go on from."""
        ...

    @property
    def due(self) -> bool:
        """Whether it is to be judged now."""
        ...

    @property
    def intervals(self) -> tuple[StateInterval, ...]:
        """Machine states of the step."""
        ...

    @property
    def points(self) -> tuple[ChartPoint, ...]:
        """New points of history."""
        ...


class Judge(Protocol):
    """A judge: `asleft.judge.judge` is one."""

    def begin(self, sheet: Sheet) -> Any:  # noqa: ANN401
        """Fresh state for a sheet."""
        ...

    def advance(self, sheet: Sheet, state: Any, samples: Samples) -> Taken:  # noqa: ANN401
        """Take further samples in; `state` is not changed."""
        ...

    def summarise(self, sheet: Sheet, state: Any) -> Judgement:  # noqa: ANN401
        """What the judge says now. What must be remembered of that goes into `state`."""
        ...

    def dumps(self, state: Any) -> str:  # noqa: ANN401
        """State as text."""
        ...

    def loads(self, text: str) -> Any:  # noqa: ANN401
        """State from text."""
        ...
