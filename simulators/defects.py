"""The registry of seeded defects: name -> what is wrong with controller or box, and what that breaks.

They are what the standard suite is measured with: `topbox-bench sweep sequences/standard --defects` runs it against
each. Faults (simulators/faults.py) happen to a box that is right; defects are a box that is not.
"""

from __future__ import annotations

from simulators.defect import Defect
from simulators.defects_energising import ENERGISING
from simulators.defects_hardware import HARDWARE
from simulators.defects_latching import LATCHING
from simulators.defects_stopping import STOPPING
from simulators.defects_supervising import SUPERVISING

DEFECTS: dict[str, Defect] = {
    defect.name: defect for defect in (*ENERGISING, *STOPPING, *SUPERVISING, *LATCHING, *HARDWARE)
}
