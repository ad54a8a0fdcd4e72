"""What the operator sees while sequences run: a live line in a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from time import monotonic
from typing import TYPE_CHECKING, Any

from bench.events import Event, HeldBack, Life, StepBegan, StepEnded

if TYPE_CHECKING:
    from bench.judging.judge import Judge
    from bench.language.plan import Plan

#: Shown while a run goes on, as far as the bench has them.
KEY_CHANNELS = ("loop", "pack_voltage", "ts_voltage", "air_plus", "air_minus", "controller_state")
REFRESH_S = 0.2


class Progress:
    """A context manager; `begin` and `end` a run, `watch` its events. Nothing at all when `quiet`."""

    def __init__(self, total: int, quiet: bool = False):
        self._total = total
        self._quiet = quiet
        self._number = self._counting = 0
        self._until_s = 0.0  # a step is held back until then
        self._live: Any = None
        self._name = self._state = self._step = ""
        self._worst = ""
        self._due = 0.0

    def __enter__(self) -> Progress:
        if not self._quiet and sys.stdout.isatty():
            from rich.live import Live

            self._live = Live("", refresh_per_second=4, transient=True)
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()

    def begin(self, plan: Plan) -> None:
        self._number += 1
        self._name = f"{plan.sequence} / {plan.case}" if plan.case else plan.sequence
        self._state = self._step = self._worst = ""
        self._until_s = 0.0

    def end(self, document: dict[str, Any]) -> None:
        if self._quiet:
            return
        text = f"[{self._number}/{self._total}] {self._name}: {document['verdict']}"
        if document["reason"]:
            text += f" - {document['reason']}"
        self.say(text)

    def say(self, text: str) -> None:
        """A line of its own."""
        if self._quiet:
            return
        if self._live is not None:
            self._live.console.print(text, markup=False, highlight=False)
        else:
            print(text, flush=True)

    def countdown(self, text: str) -> None:
        """What is being waited for, again and again; where nothing can be overwritten it is said once."""
        if self._live is not None:
            from rich.text import Text

            self._live.update(Text(f"[{self._number}/{self._total}] {self._name}   {text}"), refresh=True)
        elif self._counting != self._number:
            self._counting = self._number
            self.say(text)

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Leave the terminal to a question."""
        if self._live is not None:
            self._live.stop()
        yield
        if self._live is not None:
            self._live.start()

    def watch(self, event: Event, judge: Judge) -> None:
        """Remember where the run is; show it when it is time to."""
        kind = type(event)
        if kind is StepBegan:
            self._step = f"step {event.path} {event.name}"
        elif kind is StepEnded and event.verdict not in ("", "pass"):
            self._worst = event.verdict
        elif kind is HeldBack:
            self._step, self._until_s = event.cause, event.until_s
        elif kind is Life:
            self._state = event.state
        if self._live is not None and monotonic() >= self._due:
            self._due = monotonic() + REFRESH_S
            self._show(event.t, judge)

    def _show(self, t: float, judge: Judge) -> None:
        from rich.text import Text

        readings = judge.readings
        values = [
            f"{name} {value:.1f}" if isinstance(value, float) else f"{name} {value}"
            for name in KEY_CHANNELS
            if name in readings.slots and (value := readings.values[readings.slots[name]]) is not None
        ]
        lines = [
            f"[{self._number}/{self._total}] {self._name}   {t:8.2f} s   {self._state}   so far: {self._worst or '-'}",
            f"  {self._step}" + (f", {self._until_s - t:.0f} s more" if t < self._until_s else ""),
            "  " + "   ".join(values),
        ]
        self._live.update(Text("\n".join(lines)), refresh=True)
