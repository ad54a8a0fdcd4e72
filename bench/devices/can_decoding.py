"""From CAN frames to samples: the signals that channels name, and only those.

cantools reads the database (DBC and whatever else it knows); the bits of the signals in use are cut out here, because
a whole decode costs several times as much, and only where they differ from the payload before. What cantools lets pass
is refused: a frame of the wrong length, a value outside its range, a number that has no name, a branch that the
multiplexer does not have. Such a value is no sample; it is trouble, as text.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from bench.devices.can_database import find_signal, key_of, messages_of
from bench.devices.can_signals import RawSignal, SignalReader, Source, check_signal
from bench.errors import InputError
from bench.events import Value

if TYPE_CHECKING:
    from bench.language.bench_file import Bench
    from bench.language.channel import Channel

_MOST_KEPT = 1024


class Reading(NamedTuple):
    """What one frame says. `lacking`: channels (or multiplexers) whose value is none; `trouble` says why."""

    samples: tuple[tuple[str, Value], ...] = ()
    groups: tuple[str, ...] = ()  # scan groups whose every channel has a value
    lacking: tuple[str, ...] = ()
    trouble: str = ""


class _Selector(NamedTuple):
    """A multiplexer and those of its values that a branch is for."""

    raw: RawSignal
    values: frozenset[int]


class _Branch(NamedTuple):
    """Signals that arrive together: those of a message, or of one branch of its multiplexer."""

    selectors: tuple[_Selector, ...]
    readers: list[SignalReader]
    groups: dict[str, None]


class MessageInUse:
    """One message of which some channel wants something."""

    def __init__(self, message: Any):
        self.name: str = message.name
        self.length: int = message.length
        self._message = message
        self._branches: dict[tuple[tuple[str, frozenset[int]], ...], _Branch] = {}
        self._multiplexers: dict[str, _Selector] = {}
        self._kept: dict[bytes, Reading] = {}
        #: What differs from the payload before; None for one that is not as it should be: `reading` says why. Where it
        #: is no `quick` message always None.
        self.news: Callable[[bytes], tuple[tuple[str, Value], ...] | None] = lambda _: None
        #: Of a quick message: the next payload is all news.
        self.forget: Callable[[], None] = lambda: None
        self.quick = False
        self.all_groups: tuple[str, ...] = ()  # of a quick message

    def add(self, signal: Any, channel: Channel) -> None:
        path = tuple(self._selection(signal))
        branch = self._branches.get(path)
        if branch is None:
            selectors = tuple(_Selector(self._multiplexers[name].raw, values) for name, values in path)
            branch = self._branches[path] = _Branch(selectors, [], {})
        branch.readers.append(SignalReader(self._message, signal, channel))
        branch.groups[channel.group] = None

    @property
    def groups(self) -> list[tuple[str, int]]:
        """(scan group, which branch it belongs to)."""
        return [(group, number) for number, branch in enumerate(self._branches.values()) for group in branch.groups]

    def reading(self, data: bytes) -> Reading:
        """What this payload says."""
        reading = self._kept.get(data)
        if reading is None:
            if len(self._kept) >= _MOST_KEPT:
                self._kept.clear()
            reading = self._kept[data] = self._read(data)
        return reading

    def made_quick(self) -> None:
        """All signals are added. One function for the whole message, where it is always the same ones: it looks only at
        signals whose bits have changed, and is half the work of a frame otherwise."""
        (branch,) = self._branches.values() if len(self._branches) == 1 else (None,)
        sources = [reader.source for reader in branch.readers] if branch and not branch.selectors else []
        if not sources or None in sources:
            return
        written = [source(n) for n, source in enumerate(sources) if source is not None]
        bits = [self._bits_of(source) for source in written]
        kept = [f"s{n}" for n, source in enumerate(written) if source.is_kept]
        every = 0
        for mask in bits:
            every |= mask
        names: dict[str, Any] = {"from_bytes": int.from_bytes}
        lines = [
            "def made():",
            f"    {' = '.join(['last', *kept])} = None",
            "    def forget():",
            "        nonlocal last",
        ]
        lines += ["        last = None", "    def news(data):", f"        nonlocal {', '.join(['last', *kept])}"]
        lines += [f"        if len(data) != {self.length}:", "            return None"]
        lines += [
            "        little = from_bytes(data, 'little')",
            "        changed = -1 if last is None else little ^ last",
        ]
        lines += [f"        if not changed & {every}:", "            return ()"]
        if any(source.word == "big" for source in written):
            lines += ["        big = from_bytes(data, 'big')"]
        lines += ["        news = []"]
        for n, (reader, source, mask) in enumerate(zip(branch.readers, written, bits, strict=True)):
            names |= {f"name{n}": reader.name, f"kept{n}": reader.meaning}
            lines += [f"        if changed & {mask}:", f"            v{n} = {source.value}"]
            if source.is_kept:  # several numbers may mean the same
                lines += [f"            if v{n} is None:", "                return None"]
                lines += [f"            if v{n} != s{n} or last is None:", f"                s{n} = v{n}"]
                lines += [f"                news.append((name{n}, v{n}))"]
            else:
                lines += [f"            if not {source.low} <= v{n} <= {source.high}:", "                return None"]
                lines += [f"            news.append((name{n}, v{n}))"]
        lines += ["        last = little", "        return tuple(news)", "    return news, forget"]
        exec("\n".join(lines), names)  # the text is made of numbers of the database, never of its words
        self.news, self.forget = names["made"]()
        self.quick, self.all_groups = True, tuple(branch.groups)

    def _bits_of(self, source: Source) -> int:
        """The signal's bits in the payload as one number, low byte first."""
        bits = source.bits.to_bytes(self.length, "big" if source.word == "big" else "little")
        return int.from_bytes(bits, "little")

    def _read(self, data: bytes) -> Reading:
        if len(data) != self.length:
            names = tuple(reader.name for branch in self._branches.values() for reader in branch.readers)
            return Reading((), (), names, f"{self.name} has {len(data)} bytes instead of {self.length}")
        little, big = int.from_bytes(data, "little"), int.from_bytes(data, "big")
        samples: list[tuple[str, Value]] = []
        groups: list[str] = []
        lacking: list[str] = []
        trouble = ""
        for name, (raw, values) in self._multiplexers.items():
            if raw.of(little, big) not in values:
                trouble = trouble or f"{self.name}.{name} is {raw.of(little, big)}, for which there is no branch"
                lacking.append(name)
        for selectors, readers, its_groups in self._branches.values():
            if not all(raw.of(little, big) in values for raw, values in selectors):
                continue
            before = len(lacking)
            for reader in readers:
                try:
                    samples.append((reader.name, reader.read(little, big)))
                except ValueError as error:
                    lacking.append(reader.name)
                    trouble = trouble or str(error)
            if len(lacking) == before:
                groups += its_groups
        return Reading(tuple(samples), tuple(groups), tuple(lacking), trouble)

    def _selection(self, signal: Any) -> Iterable[tuple[str, frozenset[int]]]:
        """The multiplexers that say whether the signal is there, the innermost first."""
        while signal.multiplexer_signal:
            name, values = signal.multiplexer_signal, frozenset(signal.multiplexer_ids or ())
            selector = self._message.get_signal_by_name(name)
            if name not in self._multiplexers and not selector.multiplexer_signal:
                every = {v for s in self._message.signals if s.multiplexer_signal == name for v in s.multiplexer_ids}
                self._multiplexers[name] = _Selector(RawSignal(selector, self.length), frozenset(every))
            elif name not in self._multiplexers:  # nested: there only in some branches, so never wrong by itself
                self._multiplexers[name] = _Selector(RawSignal(selector, self.length), _Everything())
            yield name, values
            signal = selector


class _Everything(frozenset[int]):
    def __contains__(self, _: object) -> bool:
        return True


class Decoding:
    """`messages`: those in use, by key (identifier, `EXTENDED` added for 29 bits)."""

    def __init__(self, database: Path | None, channels: Mapping[str, Channel], bench: Bench):
        """Raises InputError: a database that cannot be, a signal that it does not have, a group that two share."""
        self.messages: dict[int, MessageInUse] = {}
        wanted = [channel for channel in channels.values() if channel.signal and channel.direction == "read"]
        if not wanted:
            return
        by_name = messages_of(database, bench.file)
        for channel in wanted:
            message, signal = find_signal(by_name, channel.signal, bench.file)
            check_signal(signal, channel, bench.file)
            self.messages.setdefault(key_of(message), MessageInUse(message)).add(signal, channel)
        self._check_groups(channels, bench)
        for in_use in self.messages.values():
            in_use.made_quick()

    def _check_groups(self, channels: Mapping[str, Channel], bench: Bench) -> None:
        """A group is read as a whole, so it must not hold what comes with different frames."""
        owners: dict[str, tuple[str, int]] = {}
        for message in self.messages.values():
            for group, branch in message.groups:
                if owners.setdefault(group, (message.name, branch)) != (message.name, branch):
                    raise _shared(bench.file, group, "come with different frames")
        for channel in bench.channels.values():
            mine = channel.name in channels and channel.signal
            if channel.group in owners and channel.direction == "read" and not mine:
                raise _shared(bench.file, channel.group, f"come from CAN, {channel.name} does not")


def _shared(file: str, group: str, why: str) -> InputError:
    return InputError.at(
        file, f"the channels of group {group!r} {why}", "give each message, and each of its branches, its own 'group:'"
    )
