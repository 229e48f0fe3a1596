"""Draw the figure of README's tour from the demo log: ``python data/make_tour_figure.py [FILE]``."""

from __future__ import annotations

import sys
from pathlib import Path

import evenbeat as eb
from evenbeat.figures.style import svg_text

HERE = Path(__file__).resolve().parent


def main(target: Path) -> None:
    """Write the aging figure of kittiwake as SVG."""
    record = eb.condition(eb.read_log(HERE / "kittiwake.csv.gz"))
    model = eb.fit_clock(record, environment=("room_temperature_c",))
    target.write_text(svg_text(eb.plot(model).figure), encoding="utf-8")
    print(f"wrote {target}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "tour-aging.svg")
