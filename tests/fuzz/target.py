"""What is tried: a reader of bytes from outside, examples of what it reads, and what must hold of all it gives."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from telemetry.model.batch import Batch, Values
from telemetry.model.errors import ShakedownError, harmless
from telemetry.model.signals import find_signal
from telemetry.pipeline.gather import Gather
from telemetry.store.layout import check_names

from .changes import damaged

LONGEST_SENTENCE = 40_000


@dataclass(frozen=True)
class Target:
    """One reader.

    Attributes:
        name: on the command line and in the table.
        what: in the table, in words.
        share: how many inputs of each round it gets; the slower the fewer.
        run: reads one input; raises what the reader raises, and AssertionError where what it gave cannot stand.
        examples: valid inputs, made once.
        make: makes an input from a random source and the examples.
        may_refuse: whether it may answer with one of our own errors. A link's decoder may not: it counts.

    """

    name: str
    what: str
    share: int
    run: Callable[[bytes], None]
    examples: Callable[[], list[bytes]]
    make: Callable[[random.Random, list[bytes]], bytes] = damaged
    may_refuse: bool = False
    made: list[bytes] = field(default_factory=list)

    def prepare(self) -> None:
        """Make the examples, and see that each is read, before any input is tried."""
        if not self.made:
            self.made.extend(self.examples())
            for example in self.made:
                self.run(example)

    def input(self, seed: int, number: int) -> bytes:
        """Return the input of that number; the same for the same seed."""
        return self.make(random.Random(f"{seed} {self.name} {number}"), self.made)

    def try_input(self, data: bytes) -> None:
        """Read ``data``; raises what is against the rules.

        Raises:
            MemoryError: also where the reader has made one of our errors of it.
            Exception: whatever the reader let through.

        """
        try:
            self.run(data)
        except ShakedownError as error:
            if not self.may_refuse:
                raise
            _check_sentence(error)


def _check_sentence(error: ShakedownError) -> None:
    """An error that a person reads: not endless, nothing in it that steers a terminal, and no memory run out."""
    text = str(error)
    assert text.strip(), "an error without a word"
    assert len(text) <= LONGEST_SENTENCE, f"an error of {len(text)} characters"
    assert harmless(text) == text, "an error that steers the terminal"
    causes: list[BaseException] = [error]
    for cause in causes:  # grows as it goes; errors may name one another in a circle
        if isinstance(cause, MemoryError):
            raise cause
        causes += [each for each in (cause.__cause__, cause.__context__) if each is not None and each not in causes]


def check_batches(batches: Iterable[Batch]) -> None:
    """Pass batches through the program's one way in, and check that every value is known to be possible or NaN.

    Names must be such as the store takes, and times must not go back within a batch.
    """
    gather, end = Gather(), 0
    for batch in batches:
        if not len(batch):
            continue
        assert batch.values.shape == (len(batch.t), len(batch.group.signals))
        assert bool(np.all(np.diff(batch.t) >= 0)), "time goes back within a batch"
        check_names(batch.group.name, batch.group.signals)
        gather.post(batch)
        end = max(end, int(batch.t[-1]))
    for batch in gather.close(end, final=True).batches:
        low, high = _possible(batch.group.signals)
        wrong = ~((batch.values >= low) & (batch.values <= high) & np.isfinite(batch.values) | np.isnan(batch.values))
        if wrong.any():
            names = [batch.group.signals[place] for place in np.flatnonzero(wrong.any(axis=0))]
            raise AssertionError(f"not possible and not marked: {names}")


@lru_cache(maxsize=1024)
def _possible(signals: tuple[str, ...]) -> tuple[Values, Values]:
    known = [find_signal(name) for name in signals]
    low = np.array([signal.low if signal else -np.inf for signal in known])
    return low, np.array([signal.high if signal else np.inf for signal in known])
