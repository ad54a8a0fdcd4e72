"""Things that may happen thousands of times a second and must neither be silent nor flood the record."""

from __future__ import annotations

from bench.events import Noted


class Tallies:
    """Counts by text. A text is told at once the first time, then at most once in `EVERY_S`, with its count."""

    EVERY_S = 1.0

    def __init__(self, device: str):
        self.counts: dict[str, int] = {}
        self._device = device
        self._told: dict[str, tuple[int, float]] = {}
        self._open: set[str] = set()

    def count(self, text: str, times: int = 1) -> None:
        if times:
            self.counts[text] = self.counts.get(text, 0) + times
            self._open.add(text)

    def due(self, now: float) -> list[Noted]:
        """What is to be told by now (bench clock, s)."""
        if not self._open:
            return []
        events = []
        for text in sorted(self._open):
            before, at = self._told.get(text, (0, float("-inf")))
            if now - at >= self.EVERY_S:
                count = self.counts[text]
                more = f" ({count - before} times, {count} in all)" if count > 1 else ""
                events.append(Noted(now, self._device, text + more))
                self._told[text] = count, now
                self._open.discard(text)
        return events
