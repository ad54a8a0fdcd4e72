"""The options of a device entry, read through a strict model per driver; every complaint names device and key.

The bench file keeps options as text, so a model says with its types what the texts mean: `Seconds`, `Whole`, `YesNo`,
or plain `str`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from bench.devices.serial_port import PortSettings
from bench.errors import InputError, Problem
from bench.language.located import suggestion
from bench.language.units import TIME, parse_quantity

#: Keys of an entry that are not the driver's business.
OF_THE_BENCH = ("calibrated_until",)


class Options(BaseModel):
    """Base of the drivers' models."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, arbitrary_types_allowed=True)


def _seconds(value: Any) -> Any:
    if isinstance(value, str):
        try:
            quantity = parse_quantity(value)
        except InputError:
            quantity = None
        if quantity is None or quantity.unit.dimension != TIME or not quantity.unit.name or quantity.value <= 0:
            raise ValueError(f"'{value}' is no length of time; write for example '300 ms'")
        return quantity.value
    return value


def _whole(value: Any) -> Any:
    if isinstance(value, str):
        if not (value.isascii() and value.isdigit()):
            raise ValueError(f"'{value}' is no whole number; write for example '3'")
        return int(value)
    return value


def _yes_no(value: Any) -> Any:
    if isinstance(value, str):
        if value not in ("true", "false"):
            raise ValueError(f"'{value}' is neither true nor false; write 'true' or 'false'")
        return value == "true"
    return value


def _of(*words: str) -> Callable[[Any], Any]:
    def check(value: Any) -> Any:
        if isinstance(value, str) and value not in words:
            raise ValueError(f"'{value}' is not known here; write one of {', '.join(words)}")
        return value

    return check


Seconds = Annotated[float, BeforeValidator(_seconds)]
Whole = Annotated[int, BeforeValidator(_whole)]
YesNo = Annotated[bool, BeforeValidator(_yes_no)]
Framing = Annotated[str, BeforeValidator(_of("8N1", "8N2", "8E1", "8O1", "8E2", "8O2", "7E1", "7O1", "7N1"))]


class PortOptions(Options):
    """A port: `port` (path or socket://HOST:PORT) or `serial_number` of its adapter."""

    port: str = ""
    serial_number: str = ""
    baud: Annotated[Whole, Field(ge=50, le=12_000_000)] = 9600
    framing: Framing = "8N1"
    dtr: YesNo = False

    def settings(self, write_timeout_s: float = 0.5) -> PortSettings:
        return PortSettings(self.port, self.serial_number, self.baud, self.framing, self.dtr, write_timeout_s)


O = TypeVar("O", bound=Options)  # noqa: E741 - one letter, as type variables have


def read_options(model: type[O], device: str, options: Mapping[str, Any], file: str) -> O:
    """The device's options with their meaning. Raises InputError with everything that is wrong."""
    own = {name: value for name, value in options.items() if name not in OF_THE_BENCH}
    try:
        read = model.model_validate(own)
    except ValidationError as cause:
        raise InputError(_problem(model, device, file, error) for error in cause.errors(include_url=False)) from cause
    if isinstance(read, PortOptions) and bool(read.port) == bool(read.serial_number):
        raise InputError.at(file, f"device {device}: one of 'port' and 'serial_number' is due", "give exactly one")
    return read


def _problem(model: type[Options], device: str, file: str, error: Any) -> Problem:
    path = ".".join(map(str, error["loc"]))
    match error["type"]:
        case "extra_forbidden":
            known = [field.alias or name for name, field in model.model_fields.items()]
            hint = suggestion(path, known) if len(error["loc"]) == 1 else "take it out"
            return Problem(file, 0, 0, f"device {device}: the key '{path}' is not known here", hint)
        case "missing":
            return Problem(file, 0, 0, f"device {device}: the key '{path}' is missing", "add it")
        case "value_error":
            wrong, _, right = str(error["ctx"]["error"]).partition("; ")
            return Problem(file, 0, 0, f"device {device}: {path}: {wrong}", right)
    return Problem(file, 0, 0, f"device {device}: {path}: {error['input']!r} does not fit here: {error['msg']}", "")
