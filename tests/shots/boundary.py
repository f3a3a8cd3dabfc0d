"""Draw docs/pictures/boundary.png, the picture at the top of the README: the demonstration's third visit.

Run by hand after the picture or the method has changed:  python -m tests.shots.boundary
"""

from pathlib import Path

from taptest.report.figures import boundary_picture
from taptest.visit.analyse import judge_visit
from taptest.visit.files import read_visit

ROOT = Path(__file__).parents[2]
VISIT = ROOT / "recordings_demo" / "3-low-on-air"
TARGET = ROOT / "docs" / "pictures" / "boundary.png"


def main() -> None:
    """Judge the visit and save its picture."""
    TARGET.write_bytes(boundary_picture(judge_visit(read_visit(VISIT))).png)
    print(f"Wrote {TARGET}")


if __name__ == "__main__":
    main()
