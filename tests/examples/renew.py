"""Make the example results and what the READMEs print anew: python tests/examples/renew.py

Commands are run as the READMEs name them, in a temporary folder. What is kept of their results goes
to `results/example/`; blocks of the READMEs that are marked as printed are replaced.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), *(str(ROOT / "tests" / name) for name in (".", "cases"))]

from examples.corner import corner_sketch  # noqa: E402
from examples.printed import DEMO, READMES, RESCUE, Workshop, renewed  # noqa: E402

from optimiser.base.files import write_bytes, write_text  # noqa: E402
from optimiser.report.figures import drawn_svg  # noqa: E402

EXAMPLE = ROOT / "results" / "example"
# What nothing that reads a result folder needs, and what other commands put there.
LEFT_OUT = shutil.ignore_patterns("record", "state.json", "fronts", "picked", "export")


def main() -> None:
    """Renew everything."""
    with tempfile.TemporaryDirectory(prefix="renew-") as folder:
        workshop = Workshop(Path(folder))
        for command in (DEMO, RESCUE):
            workshop.printed(command)
        texts = {name: renewed((ROOT / name).read_text("utf-8"), workshop) for name in READMES}
        shutil.rmtree(EXAMPLE, ignore_errors=True)
        shutil.copytree(Path(folder) / "results", EXAMPLE, ignore=LEFT_OUT)
    write_bytes(EXAMPLE / "corner.svg", drawn_svg(corner_sketch()))
    for name, text in texts.items():
        write_text(ROOT / name, text)


if __name__ == "__main__":
    main()
