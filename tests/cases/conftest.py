"""The benchmark over documented repairs is a script beside the package: let its tests import it."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "benchmarks"))
