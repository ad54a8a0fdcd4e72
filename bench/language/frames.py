"""What a `send` step puts on the bus: a message of the CAN database, or raw bytes."""

from __future__ import annotations

import re
from typing import Any

from bench.events import Value
from bench.language.expressions import Scope, constant
from bench.language.located import Text, either, shown, suggestion
from bench.language.surroundings import Surroundings, can_database
from bench.language.units import UNITS

MOST_DATA = 8  # bytes of a classical CAN frame (ISO 11898-1)
STANDARD_IDS = 0x800
EXTENDED_IDS = 0x20000000


def resolve_send(
    entry: Any, scope: Scope, surroundings: Surroundings
) -> tuple[str, str, dict[str, Value], int, bytes, bool]:
    """Bus, message, signals, id, data and whether the id is extended. Raises InputError."""
    if (entry.message is None) == (entry.id is None):
        right = "give 'message' with 'signals', or 'id' with 'data'"
        raise entry.bus.place.error("a frame is a message or an id, one of the two", right)
    _check_bus(entry.bus, surroundings)
    if entry.message is not None:
        if entry.data is not None:
            raise entry.data.place.error("a message of the database has signals, no data", "take 'data:' out")
        signals = _signals(entry, scope, surroundings)
        return str(entry.bus), str(entry.message), signals, 0, b"", False
    if entry.signals is not None:
        raise entry.id.place.error("a frame by its id has data, no signals", "take 'signals:' out, or name the message")
    if not re.fullmatch("0x[0-9A-Fa-f]{1,8}", entry.id) or int(entry.id, 16) >= EXTENDED_IDS:
        raise entry.id.place.error(
            f"{shown(entry.id)} is not an identifier", "write it in hexadecimal, for example 0x1A0"
        )
    number = int(entry.id, 16)
    # 29-bit by value, or by being written with all eight digits
    extended = number >= STANDARD_IDS or len(entry.id) == len("0x") + 8
    return str(entry.bus), "", {}, number, _data(entry), extended


def _check_bus(bus: Text, surroundings: Surroundings) -> None:
    known = surroundings.bench.buses
    if known is None or bus in known or surroundings.archived:
        return
    right = f"give a device of driver can the line 'bus: {bus}'"
    right = f"write {either(known)}, or {right}" if known else right
    raise bus.place.error(f"no device of the bench is the bus {shown(bus)}", right)


def _data(entry: Any) -> bytes:
    if entry.data is None:
        return b""
    digits = entry.data.replace(" ", "")
    if not re.fullmatch("([0-9A-Fa-f]{2})*", digits) or len(digits) > 2 * MOST_DATA:
        right = f"write at most {MOST_DATA} bytes in hexadecimal, for example '01 FF'"
        raise entry.data.place.error(f"{shown(entry.data)} is not the data of a frame", right)
    return bytes.fromhex(digits)


def _signals(entry: Any, scope: Scope, surroundings: Surroundings) -> dict[str, Value]:
    known = None if surroundings.archived else _known_signals(entry, surroundings)
    values: dict[str, Value] = {}
    for name, text in (entry.signals or {}).items():
        with surroundings.problems.collecting():
            if known is not None and name not in known:
                raise name.place.error(f"{entry.message} has no signal {shown(name)}", suggestion(name, known))
            values[str(name)] = _signal_value(name, text, scope, known[name] if known else None)
    return values


def _known_signals(entry: Any, surroundings: Surroundings) -> dict[str, Any]:
    import cantools

    database = surroundings.bench.database
    if database is None:
        raise entry.message.place.error(
            "the bench names no CAN database", "add 'database:' to it, or send by id and data"
        )
    try:
        messages = {message.name: message for message in can_database(database).messages}
    except (OSError, UnicodeDecodeError, cantools.Error) as cause:
        raise entry.message.place.error(f"the CAN database {database} cannot be read: {cause}") from None
    if entry.message not in messages:
        raise entry.message.place.error(
            f"no message is called {shown(entry.message)}", suggestion(entry.message, messages)
        )
    return {signal.name: signal for signal in messages[entry.message].signals}


def _signal_value(name: Text, text: Text, scope: Scope, signal: Any) -> Value:
    """A named state, a plain number, or a quantity in the signal's own unit."""
    choices = [str(choice) for choice in (getattr(signal, "choices", None) or {}).values()]
    if text in choices or (
        signal is None and re.fullmatch("[A-Za-z_][A-Za-z0-9_-]*", text) and text not in scope.values
    ):
        return str(text)
    value = constant(text, scope)
    if isinstance(value, str):
        if choices and value not in choices:
            raise text.place.error(f"{shown(value)} is not a state of {name}", suggestion(value, choices))
        return value
    if not value.unit.name:
        own = value.value  # a plain number is in the signal's own unit
    else:
        due = value.unit if signal is None else UNITS.get(signal.unit or "")
        if due is None or due.dimension != value.unit.dimension:
            wrong = f"{shown(text)} is {value.unit.dimension.noun}, {name} is in {signal.unit or 'no unit'}"
            raise text.place.error(wrong, "write a plain number, in the signal's own unit")
        own = due.from_base(value.value)
    low, high = getattr(signal, "minimum", None), getattr(signal, "maximum", None)
    if (low is not None and own < low) or (high is not None and own > high):
        raise text.place.error(f"{text} is outside what {name} can carry", f"{low} to {high}")
    return own
