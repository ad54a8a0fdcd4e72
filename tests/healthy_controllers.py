"""Healthy controllers that are near the reference one and yet differ; `second_controller` is one of another kind."""

from __future__ import annotations

from dataclasses import replace

from controllers import PRECHARGE_TAU_S, THRESHOLD, Around

from simulators.controller import Inputs, Outputs, ReferenceController


class Unhurried(Around):
    """Healthy: steps every 20 ms, waits 300 ms longer at the threshold, tries a failed pre-charge three times."""

    period_s = 0.02
    settle_s = 0.3
    cool_down_s = 2.0
    attempts = 3

    def __init__(self) -> None:
        super().__init__()
        self._began_s: float | None = None  # of the pre-charge
        self._reached_s: float | None = None
        self._attempt = 1
        self._retry_at_s: float | None = None

    def reads(self, t: float, inputs: Inputs) -> Inputs:
        if self._retry_at_s is not None and t >= self._retry_at_s and inputs.ts_voltage < 20.0:
            self._retry_at_s = None
            self._attempt += 1
            self.inner = ReferenceController()
            self.inner.step(t, replace(inputs, start_request=False))
            return replace(inputs, start_request=True)
        if not (self.out.precharge and self.out.state == "precharge"):
            self._began_s = self._reached_s = None
            return inputs
        began = self._began_s = t if self._began_s is None else self._began_s
        if inputs.ts_voltage < THRESHOLD * inputs.pack_voltage:
            return inputs
        reached = self._reached_s = t if self._reached_s is None else self._reached_s
        if reached - began < PRECHARGE_TAU_S or t - reached >= self.settle_s:
            return inputs  # far too fast: that is noticed at once
        return replace(inputs, ts_voltage=0.99 * THRESHOLD * inputs.pack_voltage)

    def says(self, t: float, inputs: Inputs, out: Outputs) -> Outputs:
        if self._retry_at_s is not None and not inputs.loop_closed:
            self._retry_at_s = None
            self.inner = ReferenceController()
            return Outputs()
        if out.state == "run" or out.state == "idle":
            self._attempt = 1
        waits = out.fault.startswith("pre-charge too") and self._attempt < self.attempts
        if not waits:
            self._retry_at_s = None
            return out
        if self._retry_at_s is None:
            self._retry_at_s = t + self.cool_down_s
        return Outputs(fans=out.fans)


class EveryTwentyMilliseconds(ReferenceController):
    """Healthy: steps every 20 ms."""

    period_s = 0.02


class EveryFiveMilliseconds(ReferenceController):
    """Healthy: steps every 5 ms."""

    period_s = 0.005


class WaitsForDischarge(ReferenceController):
    """Healthy: refuses a start above 15 V on the vehicle side."""

    def _start(self, t: float, i: Inputs) -> None:
        if i.ts_voltage <= 15.0:
            super()._start(t, i)
