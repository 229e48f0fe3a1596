"""Time of a clock fit: long logs with temperature, and cost and gain against the number of blocks.

Run as ``python tests/benchmarks/clock_speed.py``: writes ``clock_speed.md`` and ``clock_speed.png`` beside
this file. Nothing is judged.
"""

from __future__ import annotations

import os
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

import evenbeat as eb
from evenbeat.clock import noise_grid

DAY = 86400.0
BLOCKS = (50, 100, 200, 400, 800)
LEVELS = eb.NoiseLevels(white_fm=1e-22, flicker_fm=3e-27, random_walk_fm=1e-34)


def log(samples: int, *, with_temperature: bool) -> eb.Record:
    """Return a log at 10 s with a room that swings by the day."""
    record = eb.simulate_clock(samples, interval_s=10.0, levels=LEVELS, seed=1)
    if not with_temperature:
        return record
    room = 21 + np.sin(2 * np.pi * record.elapsed_s / DAY) + 0.5 * np.sin(record.elapsed_s / (9.3 * DAY))
    return replace(
        record, values=record.values + 2e-12 * (room - 21), covariates={"room_temperature_c": room}
    )


def timed(record: eb.Record, **options: object) -> tuple[float, float, eb.results.ClockModel]:
    """Return wall and processor time of one fit, nothing remembered from earlier ones, and the model."""
    noise_grid._cached_grid.cache_clear()
    start, busy = time.perf_counter(), time.process_time()
    model = eb.fit_clock(record, **options)  # type: ignore[arg-type]
    return time.perf_counter() - start, time.process_time() - busy, model


def main() -> None:
    """Measure and write the page and the figure."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    lines = [
        "# Speed of the clock fit",
        "",
        f"One fit, nothing remembered from earlier ones; {os.cpu_count()} cores shared with other work",
        f"(load {os.getloadavg()[0]:.0f} at the start): processor time is what an idle machine would take.",
        "Written by `clock_speed.py`.",
        "",
        "| log | samples | fit, processor | fit, wall clock |",
        "|---|---|---|---|",
    ]
    for name, samples, with_temperature in (
        ("10 s", 1_000_000, False),
        ("10 s with temperature and lag", 1_000_000, True),
        ("10 s for 120 days with temperature and lag", 1_036_800, True),
    ):
        record = log(samples, with_temperature=with_temperature)
        seconds, busy, model = timed(record, environment=tuple(record.covariates))
        lines.append(f"| {name} | {samples} | {busy:.1f} s | {seconds:.1f} s |")
    record = log(200_000, with_temperature=False)
    lines += [
        "",
        "| blocks | fit, processor | width of the 95 % interval of the aging rate |",
        "|---|---|---|",
    ]
    costs, widths = [], []
    for blocks in BLOCKS:
        seconds, busy, model = timed(record, aging="linear", most_blocks=blocks)
        low, high = model.aging_rate().per_day.interval()
        costs.append(busy)
        widths.append(float(high - low))
        lines.append(f"| {len(model.blocks)} | {busy:.2f} s | {widths[-1]:.2e} per day |")
    lines += ["", "![cost and gain against the number of blocks](clock_speed.png)", ""]
    Path(__file__).with_suffix(".md").write_text("\n".join(lines), encoding="utf-8")
    figure, axes = plt.subplots(figsize=(6, 4), layout="constrained")
    axes.loglog(BLOCKS, costs, "o-", color="black")
    axes.set(xlabel="blocks", ylabel="processor time of a fit [s]", title="Cost of a fit and its blocks")
    axes.set_xticks(BLOCKS, [str(count) for count in BLOCKS])
    axes.minorticks_off()
    beside = axes.twinx()
    beside.semilogx(BLOCKS, np.array(widths) / widths[-1], "s--", color="tab:blue")
    beside.minorticks_off()
    beside.set_ylabel("width of the aging interval, relative to the most blocks", color="tab:blue")
    figure.savefig(Path(__file__).with_suffix(".png"), dpi=110)


if __name__ == "__main__":
    main()
