"""A CAN database: read by cantools (DBC and whatever else it knows), checked beyond what that checks."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.errors import InputError
from bench.language.located import suggestion
from bench.language.surroundings import can_database

if TYPE_CHECKING:
    from bench.devices.can_checks import Counter, Protection
    from bench.devices.can_options import CanOptions
    from bench.language.bench_file import Bench

#: Set in a key (identifier as one number) for a 29-bit identifier, as in DBC files.
EXTENDED = 0x80000000


def messages_of(database: Path | None, file: str | Path) -> dict[str, Any]:
    """The messages by name, checked beyond what cantools checks. Raises InputError."""
    import cantools

    if database is None:
        raise InputError.at(file, "the bench names no CAN database", "add 'database:' to it")
    try:
        messages = can_database(database).messages
    except (OSError, UnicodeDecodeError, cantools.Error) as error:
        raise InputError.at(file, f"the CAN database {database} cannot be read: {error}") from error
    seen: dict[int, str] = {}
    for message in messages:
        number = key_of(message)
        if number in seen:
            wrong = f"{seen[number]} and {message.name} both have the identifier {shown_id(number)}"
            raise InputError.at(database, wrong, "give each message its own")
        seen[number] = message.name
        if message.length and not message.signals:
            wrong = f"{message.name} has {message.length} bytes and no signal"
            raise InputError.at(database, wrong, "the file seems to be cut off; get it whole")
    return {message.name: message for message in messages}


def find_signal(messages: Mapping[str, Any], path: str, file: str | Path) -> tuple[Any, Any]:
    """The message and signal behind MESSAGE.SIGNAL. Raises InputError."""
    name, _, signal_name = path.partition(".")
    if name not in messages:
        raise InputError.at(file, f"the CAN database has no message {name!r}", suggestion(name, messages))
    signals = {signal.name: signal for signal in messages[name].signals}
    if signal_name not in signals:
        raise InputError.at(file, f"{name} has no signal {signal_name!r}", suggestion(signal_name, signals))
    return messages[name], signals[signal_name]


def key_of(message: Any) -> int:
    return message.frame_id | (EXTENDED if message.is_extended_frame else 0)


def shown_id(key: int) -> str:
    """'0x120', or '0x18FF50E5x' for a 29-bit identifier."""
    return f"0x{key & ~EXTENDED:08X}x" if key & EXTENDED else f"0x{key:03X}"


class CanMessages:
    """The messages of one CAN device, as its entry speaks of them. The database is read when first needed."""

    def __init__(self, device: str, options: CanOptions, bench: Bench):
        self.options = options
        self.database = Path(bench.file).parent / options.database if options.database else bench.database
        self._device, self._bench = device, bench
        self._messages: dict[str, Any] | None = None

    @property
    def all(self) -> dict[str, Any]:
        if self._messages is None:
            self._messages = messages_of(self.database, self._bench.file)
        return self._messages

    def message(self, name: str) -> Any:
        if name not in self.all:
            raise self.wrong(f"the CAN database has no message {name!r}", suggestion(name, self.all))
        return self.all[name]

    def signal(self, path: str) -> tuple[Any, Any]:
        return find_signal(self.all, path, self._bench.file)

    def protection(self, message: Any) -> tuple[Counter | None, Protection | None]:
        """How frames of this message are counted and summed, as far as the entry says so."""
        from bench.devices.can_checks import Protection, counter_of, end_to_end_counter

        protection = counter = None
        name = self.options.counters.get(message.name)
        try:
            if message.name in self.options.protection:
                protection = Protection(self.options.protection[message.name], message.length)
        except ValueError as error:
            raise self.wrong(f"{message.name}: {error}") from error
        if name is not None:
            self.signal(f"{message.name}.{name}")
            counter = counter_of(message, name)
        elif protection is not None and protection.end_to_end:
            counter = end_to_end_counter()
        return counter, protection

    def wrong(self, text: str, right: str = "") -> InputError:
        """A complaint about the device's entry; `; ` in the text begins what would be right."""
        wrong, _, hint = text.partition("; ")
        return InputError.at(self._bench.file, f"device {self._device}: {wrong}", right or hint)
