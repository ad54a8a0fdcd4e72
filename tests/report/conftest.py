"""The made-up Heron 3 run is shared with tests/record."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "record"))
