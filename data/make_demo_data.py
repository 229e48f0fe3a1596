"""Make the demo data of an invented scenario from seeds, with the truth beside it.

The workshop of a volunteer-run tide-gauge network on an imaginary coast keeps three timebases. Nothing
here was measured. ``python data/make_demo_data.py [FOLDER]`` writes every file anew; the same versions
of Python, numpy and scipy give the same bytes.
"""

from __future__ import annotations

import csv
import gzip
import hashlib
import io
import json
import math
import sys
from pathlib import Path

import numpy as np

from evenbeat.powerlaw import NoiseLevels, simulate_clock
from evenbeat.units import SECONDS_PER_DAY, SECONDS_PER_YEAR

INVENTED = (
    "Invented demonstration data: simulated, not measured. The workshop of a volunteer-run tide-gauge "
    "network on an imaginary coast."
)
NOMINAL_HZ = 10e6
HOUR = 3600.0
DAY = SECONDS_PER_DAY

KITTIWAKE = {
    "seed": 20260301,
    "start_utc": "2026-03-01T00:00:00Z",
    "interval_s": 10.0,
    "logged_days": 120,
    "simulated_days": 300,
    "fractional_frequency_at_start": 1.7e-9,
    "aging_law": "amplitude * ln(1 + elapsed / time_constant): settling after three weeks without power",
    "aging_amplitude": 2.4e-9,
    "aging_time_constant_days": 120.0,
    "oscillator_flicker_fm_allan_deviation": 1.0e-12,
    "oscillator_random_walk_fm_allan_deviation_at_1_day": 2.0e-12,
    "measurement_white_fm_allan_deviation_at_10_s": 6.3e-12,
    "measurement_white_pm_allan_deviation_at_10_s": 7.7e-12,
    "room_temperature_sensitivity_per_kelvin": 2.0e-12,
    "room_temperature_lag_s": 1800.0,
    "display_step_hz": 1e-4,
}
KITTIWAKE_EVENTS = {
    "power_cut": {"first_missing_day": 46.3104, "hours_without_readings": 6.4, "retrace_step": -1.5e-10},
    "re_warm_up": [
        {"amplitude": -2.0e-7, "time_constant_s": 240.0},
        {"amplitude": -6.0e-10, "time_constant_s": 1500.0},
    ],
    "frequency_step": {"day": 83.7312, "size": 8.0e-11},
    "gaps": [
        {"first_missing_day": 9.4271, "minutes": 7.0},
        {"first_missing_day": 21.9013, "minutes": 41.0},
        {"first_missing_day": 33.0528, "minutes": 0.5},
        {"first_missing_day": 62.5906, "minutes": 26.0 * 60},
        {"first_missing_day": 97.2174, "minutes": 185.0},
        {"first_missing_day": 111.6685, "minutes": 12.0},
    ],
    "glitches": [
        {"day": 4.7716, "added": 1.1e-8},
        {"day": 17.3062, "added": -9.3e-9},
        {"day": 29.8841, "added": 8.2e-9},
        {"day": 54.1207, "lost_digit": "one zero before the decimal point"},
        {"day": 71.0450, "added": -1.24e-8},
        {"day": 88.6119, "added": 1.0e-8},
        {"day": 103.9333, "lost_digit": "one zero before the decimal point"},
        {"day": 116.2580, "added": -1.06e-8},
    ],
}

FULMAR = {
    "seed": 20260525,
    "start_utc": "2026-05-25T06:00:00Z",
    "interval_s": 10.0,
    "logged_days": 14,
    "timebase_fractional_frequency_at_start": -1.4e-9,
    "timebase_aging_per_day": -1.45e-9,
    "timebase_flicker_fm_allan_deviation": 3.0e-10,
    "timebase_random_walk_fm_allan_deviation_at_1_day": 6.0e-10,
    "room_temperature_sensitivity_per_kelvin": -2.6e-9,
    "reading_white_fm_allan_deviation_at_10_s": 5.0e-11,
    "display_step_hz": 0.1,
}
FULMAR_EVENING = {"start_utc": "2026-06-08T18:30:00Z", "hours": 2.0, "shown_hz": 10000000.3}

GANNET = {
    "seed": 20260411,
    "start_utc": "2026-04-11T12:00:00Z",
    "interval_s": 10.0,
    "locked_days": 10,
    "holdover_days": 2,
    "oscillator_flicker_fm_allan_deviation": 1.0e-12,
    "oscillator_random_walk_fm_allan_deviation_at_1_day": 3.0e-12,
    "oscillator_fractional_frequency_unsteered": 4.0e-9,
    "oscillator_aging_per_day": 2.5e-11,
    "receiver_white_pm_ns": 6.0,
    "receiver_flicker_pm_allan_deviation_at_1000_s": 3.0e-12,
    "receiver_daily_wander_ns": 4.0,
    "time_interval_counter_white_pm_ns": 0.4,
    "loop_time_constant_s": 2000.0,
    "loop_damping": 1.2,
    "display_step_ns": 0.1,
}

HISTORY = {
    "seed": 20210218,
    "aging_law": "amplitude * ln(1 + elapsed / time_constant), elapsed since the first date",
    "aging_amplitude": 1.0e-8,
    "aging_time_constant_days": 30.0,
    "random_walk_per_square_root_year": 4.0e-10,
    "adjusted_when_found_beyond": 2.5e-9,
}
HISTORY_VISITS = [  # date, offset left by an adjustment, standard uncertainty of the comparison
    ("2021-02-18", 2.0e-10, 3e-10),
    ("2021-05-20", -4.0e-10, 3e-10),
    ("2021-11-18", 1.0e-10, 3e-10),
    ("2022-05-19", -7.0e-10, 3e-10),
    ("2022-11-17", 3.0e-10, 2e-10),
    ("2023-06-15", 0.0, 2e-10),
    ("2024-02-15", -1.1e-9, 2e-10),
    ("2024-10-17", 5.0e-10, 1e-10),
    ("2025-06-19", -2.0e-10, 1e-10),
    ("2026-02-26", 1.2e-9, 1e-10),
]

SHEET = {
    "seed": 20260610,
    "timebase_fractional_frequency": -3.4e-8,
    "permitted": "timebase 1e-6 of the reading plus one least digit",
    "clock_tick_s": 1e-7,
    "input_noise_v": 1e-3,
    "hidden": "the totalise readings at the 20 mV level lost counts: the input did not follow every period; "
    "single periods of slow sines carry trigger error, not timebase error",
}

FLEET = {
    "seed": 20260701,
    "first_dates_from": "2021-01-11",
    "law": "constant drift and a random walk, each drawn once per instrument",
    "drift_per_year_of_class": {"oven": 4e-8, "rubidium": 3e-10, "temperature_compensated": 4e-7},
    "walk_per_square_root_year_over_drift": 0.15,
    "standard_uncertainty_over_drift": 0.02,
    "tolerance_of_class": {"oven": 1e-7, "rubidium": 1e-9, "temperature_compensated": 1e-6},
    "adjusted_when_found_beyond_share_of_tolerance": 0.6,
    "months_between_visits": [9, 15],
    "last_visit_before": "2026-06-30",
    "calibrated_once": "dotterel",
    "only_in_or_out_recorded": "turnstone",
}
FLEET_MEMBERS = {
    "oven": ("avocet", "bittern", "cormorant", "curlew", "dotterel", "dunlin", "eider", "guillemot", "knot"),
    "rubidium": ("merganser", "plover"),
    "temperature_compensated": (
        "oystercatcher", "petrel", "puffin", "razorbill", "redshank", "sanderling", "shearwater",
        "skua", "tern", "turnstone", "whimbrel",
    ),
}  # fmt: skip
"""Timebases of the recorders at the stations of the network."""


def main(folder: Path) -> None:
    """Write every file into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    made = {}
    for name, make in MAKERS.items():
        text, truth = make()
        made[name] = {**_written(folder / name, text), "truth": truth}
        print(f"{name}: {made[name]['size_bytes']} bytes, {made[name]['rows']} rows")
    (folder / "truth.json").write_text(
        json.dumps({"about": INVENTED, "files": made}, indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
    )


def _written(path: Path, text: str) -> dict[str, object]:
    """Write the text, compressed without a time stamp where the name ends in .gz, and describe the file."""
    content = text.encode("utf-8")
    packed = _gzipped(content) if path.suffix == ".gz" else content
    path.write_bytes(packed)
    return {
        "size_bytes": len(packed),
        "sha256": hashlib.sha256(packed).hexdigest(),
        "text_size_bytes": len(content),
        "text_sha256": hashlib.sha256(content).hexdigest(),
        "rows": sum(not line.startswith("#") for line in text.splitlines()) - 1,
    }


def _gzipped(content: bytes) -> bytes:
    packed = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=9, fileobj=packed, mtime=0) as stream:
        stream.write(content)
    return packed.getvalue()


def _header(lines: dict[str, str], columns: str) -> str:
    return "".join(f"# {line}\n" for line in (INVENTED, *(f"{k}: {v}" for k, v in lines.items()))) + columns


def _moment(text: str) -> np.datetime64:
    return np.datetime64(text.removesuffix("Z"), "s")


def _utc_texts(start: str, elapsed_s: np.ndarray) -> np.ndarray:
    return np.datetime_as_string(_moment(start) + np.round(elapsed_s).astype("timedelta64[s]"), unit="s")


def _levels(*, white_fm_10_s: float = 0, flicker_fm: float = 0, walk_1_day: float = 0) -> NoiseLevels:
    """Return levels from Allan deviations (NIST SP 1065: h0/2τ, 2 ln2 h-1, 2π²/3 h-2 τ)."""
    return NoiseLevels(
        white_fm=2 * 10.0 * white_fm_10_s**2,
        flicker_fm=flicker_fm**2 / (2 * math.log(2)),
        random_walk_fm=3 * walk_1_day**2 / (2 * math.pi**2 * DAY),
    )


def _room_temperature(elapsed_s: np.ndarray, start: str, generator: np.random.Generator) -> np.ndarray:
    """Return degrees Celsius: season, weather of some days, daily wave, evenings with people and kettle."""
    hours = np.arange(elapsed_s[-1] // HOUR + 3)
    weather = np.zeros(len(hours))
    keep = math.exp(-1 / 60)
    kicks = generator.standard_normal(len(hours)) * 1.1 * math.sqrt(1 - keep**2)
    for hour in range(1, len(hours)):
        weather[hour] = keep * weather[hour - 1] + kicks[hour]
    smooth = np.convolve(np.pad(weather, 3, mode="edge"), np.ones(7) / 7, mode="valid")
    day_of_year = (_moment(start) - _moment(f"{start[:4]}-01-01T00:00:00Z")) / np.timedelta64(1, "s") / DAY
    days = day_of_year + elapsed_s / DAY
    season = 20.2 - 2.4 * np.cos(2 * math.pi * (days - 25) / 365.25)
    daily = 1.5 * np.cos(2 * math.pi * (days - 16 / 24)) + 0.25 * np.cos(4 * math.pi * (days - 15 / 24))
    evening = 0.8 * np.exp(-0.5 * ((days % 3.5 - 1.8) / 0.06) ** 2)
    return season + daily + evening + np.interp(elapsed_s, hours * HOUR, smooth)


def _lagged(values: np.ndarray, interval_s: float, lag_s: float) -> np.ndarray:
    """Return the values behind a first-order lag that starts in equilibrium."""
    from scipy.signal import lfilter

    keep = math.exp(-interval_s / lag_s)
    return np.asarray(lfilter([1 - keep], [1, -keep], values - values[0])) + values[0]


def _row_of(day: float, interval_s: float) -> int:
    return round(day * DAY / interval_s)


def kittiwake() -> tuple[str, dict[str, object]]:
    """Return the long log of the oven oscillator and its truth."""
    k, generator = KITTIWAKE, np.random.default_rng(KITTIWAKE["seed"])
    interval, logged = k["interval_s"], _row_of(k["logged_days"], k["interval_s"])
    n = _row_of(k["simulated_days"], interval)
    elapsed = np.arange(n) * interval
    room = _room_temperature(elapsed, k["start_utc"], generator)
    oscillator = _kittiwake_oscillator(n, room, generator)
    missing = np.zeros(n, dtype=bool)
    _apply_power_cut(oscillator, missing, elapsed)
    oscillator[_row_of(KITTIWAKE_EVENTS["frequency_step"]["day"], interval) :] += KITTIWAKE_EVENTS[
        "frequency_step"
    ]["size"]
    for gap in KITTIWAKE_EVENTS["gaps"]:
        first = _row_of(gap["first_missing_day"], interval)
        missing[first : first + round(gap["minutes"] * 60 / interval)] = True
    readings = _display(oscillator[:logged] + _kittiwake_measurement(logged, generator), k["display_step_hz"])
    texts = [f"{reading:.4f}" for reading in readings]
    _apply_glitches(texts, readings)
    rows = _kittiwake_rows(texts, room[:logged], missing, elapsed)
    return _kittiwake_header() + "\n" + "\n".join(rows) + "\n", _kittiwake_truth(oscillator, logged, missing)


def _display(fractional_frequency: np.ndarray, step_hz: float) -> np.ndarray:
    return np.round(NOMINAL_HZ * fractional_frequency / step_hz) * step_hz + NOMINAL_HZ


def _kittiwake_oscillator(n: int, room: np.ndarray, generator: np.random.Generator) -> np.ndarray:
    k = KITTIWAKE
    clock = simulate_clock(
        n,
        interval_s=k["interval_s"],
        levels=_levels(
            flicker_fm=k["oscillator_flicker_fm_allan_deviation"],
            walk_1_day=k["oscillator_random_walk_fm_allan_deviation_at_1_day"],
        ),
        seed=generator,
        frequency_offset=k["fractional_frequency_at_start"],
        aging=lambda t: k["aging_amplitude"] * np.log1p(t / (k["aging_time_constant_days"] * DAY)),
    )
    behind = _lagged(room, k["interval_s"], k["room_temperature_lag_s"])
    return clock.values + k["room_temperature_sensitivity_per_kelvin"] * (behind - behind[0])


def _kittiwake_measurement(n: int, generator: np.random.Generator) -> np.ndarray:
    """Return the noise of the rubidium reference (white FM) and of the counter that reads (white PM)."""
    k = KITTIWAKE
    levels = _levels(white_fm_10_s=k["measurement_white_fm_allan_deviation_at_10_s"])
    reference = simulate_clock(n, interval_s=k["interval_s"], levels=levels, seed=generator).values
    # Allan variance of white PM is 3 σ² / τ²
    sigma = k["measurement_white_pm_allan_deviation_at_10_s"] * k["interval_s"] / math.sqrt(3)
    return reference + np.diff(sigma * generator.standard_normal(n + 1)) / k["interval_s"]


def _apply_power_cut(oscillator: np.ndarray, missing: np.ndarray, elapsed: np.ndarray) -> None:
    cut, interval = KITTIWAKE_EVENTS["power_cut"], KITTIWAKE["interval_s"]
    first = _row_of(cut["first_missing_day"], interval)
    back = first + round(cut["hours_without_readings"] * HOUR / interval)
    missing[first:back] = True
    oscillator[first:] += cut["retrace_step"]
    for term in KITTIWAKE_EVENTS["re_warm_up"]:
        oscillator[back:] += term["amplitude"] * np.exp(
            -(elapsed[back:] - elapsed[back]) / term["time_constant_s"]
        )


def _apply_glitches(texts: list[str], readings: np.ndarray) -> None:
    for glitch in KITTIWAKE_EVENTS["glitches"]:
        row = _row_of(glitch["day"], KITTIWAKE["interval_s"])
        if "added" in glitch:
            texts[row] = f"{readings[row] + NOMINAL_HZ * glitch['added']:.4f}"
        else:
            texts[row] = texts[row].replace("0", "", 1)


def _kittiwake_rows(
    texts: list[str], room: np.ndarray, missing: np.ndarray, elapsed: np.ndarray
) -> list[str]:
    k, cut = KITTIWAKE, KITTIWAKE_EVENTS["power_cut"]
    oven = 78.4 + 0.006 * (room - 20.0)
    back = _row_of(cut["first_missing_day"], k["interval_s"])
    back += round(cut["hours_without_readings"] * HOUR / k["interval_s"])
    heating = elapsed[back : len(room)] - elapsed[back]
    oven[back:] -= 55.0 * np.exp(-heating / 240.0)
    utc = _utc_texts(k["start_utc"], elapsed[: len(room)])
    return [
        f"{moment}Z,{text},{oven_c:.1f},{room_c:.1f}"
        for moment, text, oven_c, room_c, absent in zip(
            utc, texts, oven.tolist(), room.tolist(), missing[: len(room)].tolist(), strict=True
        )
        if not absent
    ]


def _kittiwake_header() -> str:
    lines = {
        "instrument": "kittiwake, the oven oscillator of a bench counter",
        "quantity": "frequency",
        "unit": "Hz",
        "nominal frequency": "10 MHz",
        "gate": "10 s",
        "interval": "10 s",
        "reference": "rubidium standard of the workshop, steered to UTC",
        "measured": "the 10 MHz timebase output of kittiwake, by a counter that runs on the reference",
        "sign": "a reading above nominal means that kittiwake is fast",
        "time": "start of the gate, UTC; a reading that was not taken has no row",
    }
    return _header(lines, "utc,frequency_hz,oven_temperature_c,room_temperature_c")


def _kittiwake_truth(oscillator: np.ndarray, logged: int, missing: np.ndarray) -> dict[str, object]:
    week = round(7 * DAY / KITTIWAKE["interval_s"])
    day = round(DAY / KITTIWAKE["interval_s"])
    ends = range(logged, len(oscillator), week)
    return {
        "settings": KITTIWAKE,
        "events": KITTIWAKE_EVENTS,
        "events_note": "a day counts from the first reading; sizes and added values are fractional frequency",
        "rows_missing": int(missing[:logged].sum()),
        "fractional_frequency_last_logged_day": float(oscillator[logged - day : logged].mean()),
        "after_the_log": {
            "note": "daily mean of the oscillator's own fractional frequency, never logged",
            "day": [row * KITTIWAKE["interval_s"] / DAY for row in ends],
            "fractional_frequency": [float(f"{oscillator[row : row + day].mean():.5e}") for row in ends],
            "time_error_gained_s": {
                str(days): float(oscillator[logged : logged + days * day].sum() * KITTIWAKE["interval_s"])
                for days in (1, 7, 30)
            },
        },
    }


def _fulmar_timebase() -> tuple[np.ndarray, np.ndarray]:
    """Return what fulmar would show without its display step, and its timebase, for log and evening."""
    f, generator = FULMAR, np.random.default_rng(FULMAR["seed"])
    n = _row_of(f["logged_days"] + 1, f["interval_s"])
    elapsed = np.arange(n) * f["interval_s"]
    room = _room_temperature(elapsed, f["start_utc"], generator)
    clock = simulate_clock(
        n,
        interval_s=f["interval_s"],
        levels=_levels(
            flicker_fm=f["timebase_flicker_fm_allan_deviation"],
            walk_1_day=f["timebase_random_walk_fm_allan_deviation_at_1_day"],
        ),
        seed=generator,
        frequency_offset=f["timebase_fractional_frequency_at_start"],
        aging=lambda t: f["timebase_aging_per_day"] * t / DAY,
    )
    timebase = clock.values + f["room_temperature_sensitivity_per_kelvin"] * (room - room[0])
    noise = f["reading_white_fm_allan_deviation_at_10_s"] * generator.standard_normal(n)
    return 1 / (1 + timebase) - 1 + noise, timebase


def _fulmar_header(columns: str, time: str) -> str:
    lines = {
        "instrument": "fulmar, a small counter with a temperature-compensated oscillator",
        "quantity": "frequency",
        "unit": "Hz",
        "nominal frequency": "10 MHz",
        "gate": "10 s",
        "interval": "10 s",
        "display step": "0.1 Hz",
        "reference": "rubidium standard of the workshop, steered to UTC",
        "measured": "the 10 MHz output of the reference, by fulmar on its own timebase",
        "sign": "a reading above nominal means that the timebase of fulmar is slow",
        "count": "starts in step with the input and is rounded to the display step",
        "time": time,
    }
    return _header(lines, columns)


def fulmar() -> tuple[str, dict[str, object]]:
    """Return the two-week log of the small counter and its truth."""
    shown, timebase = _fulmar_timebase()
    n = _row_of(FULMAR["logged_days"], FULMAR["interval_s"])
    readings = _display(shown[:n], FULMAR["display_step_hz"])
    rows = [f"{10 * i},{reading:.1f}" for i, reading in enumerate(readings.tolist())]
    values, counts = np.unique(readings, return_counts=True)
    truth = {
        "settings": FULMAR,
        "sign": "timebase values have the opposite sign of the readings",
        "timebase_fractional_frequency_first_hour": float(timebase[:360].mean()),
        "timebase_fractional_frequency_last_hour": float(timebase[n - 360 : n].mean()),
        "distinct_readings_hz": {f"{v:.1f}": int(c) for v, c in zip(values, counts, strict=True)},
    }
    header = _fulmar_header("elapsed_s,frequency_hz", f"start of the gate since {FULMAR['start_utc']}")
    return header + "\n" + "\n".join(rows) + "\n", truth


def fulmar_evening() -> tuple[str, dict[str, object]]:
    """Return two hours of the small counter in which every reading is the same."""
    shown, timebase = _fulmar_timebase()
    since = (_moment(FULMAR_EVENING["start_utc"]) - _moment(FULMAR["start_utc"])) / np.timedelta64(1, "s")
    first = round(since / FULMAR["interval_s"])
    n = round(FULMAR_EVENING["hours"] * HOUR / FULMAR["interval_s"])
    readings = _display(shown[first : first + n], FULMAR["display_step_hz"])
    if not np.allclose(readings, FULMAR_EVENING["shown_hz"], rtol=0, atol=1e-3):
        msg = f"the evening shows {np.unique(readings)} Hz; change the settings of fulmar"
        raise SystemExit(msg)
    utc = _utc_texts(FULMAR_EVENING["start_utc"], np.arange(n) * FULMAR["interval_s"])
    rows = [f"{moment}Z,{reading:.1f}" for moment, reading in zip(utc, readings.tolist(), strict=True)]
    timebase = timebase[first : first + n]
    truth = {
        "settings": FULMAR_EVENING,
        "timebase_fractional_frequency": {
            "smallest": float(timebase.min()),
            "mean": float(timebase.mean()),
            "largest": float(timebase.max()),
        },
    }
    header = _fulmar_header("utc,frequency_hz", "start of the gate, UTC")
    return header + "\n" + "\n".join(rows) + "\n", truth


def gannet() -> tuple[str, dict[str, object]]:
    """Return the time error of the disciplined oscillator: ten days locked, two in holdover."""
    g, generator = GANNET, np.random.default_rng(GANNET["seed"])
    interval = g["interval_s"]
    locked = _row_of(g["locked_days"], interval)
    n = locked + _row_of(g["holdover_days"], interval) + 1
    free = _gannet_free_phase(n, generator)
    phase, frozen_s_per_s = _disciplined(free, _receiver_error(n, generator), locked)
    seen = phase * 1e9 + g["time_interval_counter_white_pm_ns"] * generator.standard_normal(n)
    utc = _utc_texts(g["start_utc"], np.arange(n) * interval)
    rows = [
        f"{moment}Z,{value:.1f}".replace(",-0.0", ",0.0") for moment, value in zip(utc, seen, strict=True)
    ]
    lines = {
        "instrument": "gannet, a GNSS-disciplined oscillator",
        "quantity": "phase",
        "unit": "ns",
        "nominal frequency": "10 MHz",
        "interval": "10 s",
        "display step": "0.1 ns",
        "reference": "caesium standard lent by the harbour observatory",
        "measured": "1PPS of gannet against 1PPS of the reference, by a time-interval counter",
        "sign": "a positive value means that gannet is ahead of the reference",
        "time": "time of the pulse, UTC",
    }
    hour = round(HOUR / interval)
    day = 24 * hour
    truth = {
        "settings": g,
        "holdover_starts_utc": f"{utc[locked]}Z",
        "steering_frozen_at_fractional_frequency": frozen_s_per_s,
        "time_error_gained_in_holdover_ns": {
            "1 h": float((phase[locked + hour] - phase[locked]) * 1e9),
            "24 h": float((phase[locked + day] - phase[locked]) * 1e9),
            "48 h": float((phase[-1] - phase[locked]) * 1e9),
        },
    }
    return _header(lines, "utc,phase_ns") + "\n" + "\n".join(rows) + "\n", truth


def _gannet_free_phase(n: int, generator: np.random.Generator) -> np.ndarray:
    g = GANNET
    return simulate_clock(
        n,
        interval_s=g["interval_s"],
        levels=_levels(
            flicker_fm=g["oscillator_flicker_fm_allan_deviation"],
            walk_1_day=g["oscillator_random_walk_fm_allan_deviation_at_1_day"],
        ),
        seed=generator,
        kind="phase",
        frequency_offset=g["oscillator_fractional_frequency_unsteered"],
        aging=lambda t: g["oscillator_aging_per_day"] * t / DAY,
    ).values


def _receiver_error(n: int, generator: np.random.Generator) -> np.ndarray:
    """Return the error of the received seconds in seconds: white, flicker, and a daily wave."""
    g = GANNET
    # flicker PM: σ² = (3γ - ln 2 + 3 ln(2π f τ)) h₊₁ / 4π²τ² at τ = 1000 s, cut-off f = 0.05 Hz
    factor = 3 * np.euler_gamma - math.log(2) + 3 * math.log(2 * math.pi * 0.05 * 1000)
    level = 4 * math.pi**2 * 1e6 * g["receiver_flicker_pm_allan_deviation_at_1000_s"] ** 2 / factor
    flicker = simulate_clock(
        n, interval_s=g["interval_s"], levels=NoiseLevels(flicker_pm=level), seed=generator, kind="phase"
    ).values
    daily = np.sin(2 * math.pi * np.arange(n) * g["interval_s"] / DAY + 0.7)
    white = generator.standard_normal(n)
    return flicker + 1e-9 * (g["receiver_daily_wander_ns"] * daily + g["receiver_white_pm_ns"] * white)


def _disciplined(free: np.ndarray, received: np.ndarray, locked: int) -> tuple[np.ndarray, float]:
    """Return the steered phase and the steering kept in holdover (proportional and integral loop)."""
    interval, wait = GANNET["interval_s"], GANNET["loop_time_constant_s"]
    proportional, integral = 2 * GANNET["loop_damping"] / wait, 1 / wait**2
    memory = -GANNET["oscillator_fractional_frequency_unsteered"]
    steered_out, phase = 0.0, np.empty(len(free))
    for row in range(len(free)):
        phase[row] = free[row] + steered_out
        if row < locked:
            error = phase[row] - received[row]
            memory -= integral * error * interval
            steering = memory - proportional * error
        else:
            steering = memory
        steered_out += steering * interval
    return phase, float(memory)


def history() -> tuple[str, dict[str, object]]:
    """Return five years of calibrations of kittiwake and what lay behind them."""
    h, generator = HISTORY, np.random.default_rng(HISTORY["seed"])
    first = _moment(HISTORY_VISITS[0][0])
    rows, offset_now, previous = [], 9.0e-9, 0.0
    for date, left_by_adjustment, uncertainty in HISTORY_VISITS:
        days = float((_moment(date) - first) / np.timedelta64(1, "D"))
        aged = [
            h["aging_amplitude"] * math.log1p(d / h["aging_time_constant_days"]) for d in (previous, days)
        ]
        walk = h["random_walk_per_square_root_year"] * math.sqrt((days - previous) * DAY / SECONDS_PER_YEAR)
        offset_now += aged[1] - aged[0] + walk * float(generator.standard_normal())
        found = offset_now + uncertainty * float(generator.standard_normal())
        adjusted = abs(found) > h["adjusted_when_found_beyond"]
        if adjusted:
            offset_now = left_by_adjustment
        left = offset_now + uncertainty * float(generator.standard_normal()) if adjusted else found
        rows.append((date, f"{found:.2e}", f"{left:.2e}", f"{uncertainty:.0e}", "yes" if adjusted else "no"))
        previous = days
    lines = {
        "instrument": "kittiwake, the oven oscillator of a bench counter",
        "quantity": "fractional frequency",
        "unit": "1",
        "reference": "rubidium standard of the workshop, steered to UTC",
        "uncertainty": "standard uncertainty (k = 1) of each comparison",
        "sign": "a positive value means that kittiwake is fast",
    }
    header = _header(lines, "date,as_found,as_left,standard_uncertainty,adjusted")
    return header + "\n" + _as_csv(rows), {"settings": h, "true_offset_after_last_visit": offset_now}


def fleet_history() -> tuple[str, dict[str, object]]:
    """Return the calibrations of the recorders at all stations and the drift behind each."""
    generator = np.random.default_rng(FLEET["seed"])
    rows: list[tuple[object, ...]] = []
    drifts = {}
    for kind, names in FLEET_MEMBERS.items():
        for name in names:
            drift = FLEET["drift_per_year_of_class"][kind] * float(generator.standard_normal())
            drifts[name] = float(f"{drift:.3e}")
            rows += _visits(name, kind, drift, generator)
    lines = {
        "instruments": "timebases of the recorders at the stations; 10 MHz",
        "quantity": "fractional frequency",
        "unit": "1",
        "reference": "rubidium standard of the workshop, steered to UTC",
        "uncertainty": "standard uncertainty (k = 1) of each comparison",
        "sign": "a positive value means that the instrument is fast",
    }
    columns = "instrument,date,as_found,as_left,standard_uncertainty,adjusted,oscillator_class,tolerance"
    truth = {"settings": FLEET, "drift_per_year": drifts}
    return _header(lines, columns) + "\n" + _as_csv(rows), truth


def _visits(name: str, kind: str, drift: float, generator: np.random.Generator) -> list[tuple[object, ...]]:
    usual, tolerance = FLEET["drift_per_year_of_class"][kind], FLEET["tolerance_of_class"][kind]
    uncertainty = FLEET["standard_uncertainty_over_drift"] * usual
    date = np.datetime64(FLEET["first_dates_from"]) + int(generator.integers(0, 330))
    offset, rows = 0.3 * usual * float(generator.standard_normal()), []
    while date < np.datetime64(FLEET["last_visit_before"]):
        found = offset + uncertainty * float(generator.standard_normal())
        adjusted = abs(found) > FLEET["adjusted_when_found_beyond_share_of_tolerance"] * tolerance
        offset = 0.0 if adjusted else offset
        left = uncertainty * float(generator.standard_normal()) if adjusted else found
        stated = [f"{found:.2e}", f"{left:.2e}", f"{uncertainty:.0e}", "yes" if adjusted else "no"]
        if name == FLEET["only_in_or_out_recorded"]:
            stated = ["in" if abs(found) <= tolerance else "out", "", "", "no"]
        rows.append((name, str(date), *stated, kind, f"{tolerance:g}"))
        if name == FLEET["calibrated_once"]:
            break
        days = int(30.44 * generator.uniform(*FLEET["months_between_visits"]))
        walk = FLEET["walk_per_square_root_year_over_drift"] * usual * math.sqrt(days / 365.25)
        offset += drift * days / 365.25 + walk * float(generator.standard_normal())
        date = date + days
    return rows


def _as_csv(rows: list[tuple[object, ...]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def readings_sheet() -> tuple[str, dict[str, object]]:
    """Return the readings sheet of a check of fulmar against the workshop's references."""
    generator = np.random.default_rng(SHEET["seed"])
    rows: list[tuple[object, ...]] = []
    for applied in (50.0, 1e3, 1e5, 1e6, 1e7):
        for gate in (0.1, 1.0, 10.0):
            rows += _frequency_rows(applied, gate, generator)
    for applied, periods in ((1.0, 1), (0.02, 1), (0.02, 50), (1e-3, 1000), (1e-5, 1), (1e-5, 10000)):
        rows += _period_rows(applied, periods, generator)
    for applied_hz, gate, level in ((1e3, 10.0, 1.0), (1e6, 10.0, 1.0), (1e6, 10.0, 0.02)):
        rows += _totalise_rows(applied_hz, gate, level, generator)
    for applied, pulses, gate in ((300.0, 60, 1.0), (3000.0, 60, 1.0), (3000.0, 60, 10.0), (3000.0, 1, 10.0)):
        rows += _rpm_rows(applied, pulses, gate, generator)
    lines = {
        "instrument": "fulmar, a small counter with a temperature-compensated oscillator",
        "reference": "rubidium standard of the workshop, steered to UTC; generator locked to it",
        "permitted": SHEET["permitted"],
        "clock tick": "100 ns",
        "count": "starts in step with the input and is rounded to the least digit",
        "level": "root-mean-square voltage at the input; a sine into 50 ohm",
        "noise at the input": "1 mV root-mean-square",
        "date": "2026-06-10",
    }
    columns = "function,applied,unit,gate_s,periods,pulses_per_revolution,level_v,least_digit,reading"
    return _header(lines, columns) + "\n" + _as_csv(rows), SHEET


def _counted(expected: float, generator: np.random.Generator) -> int:
    """Return the whole number shown: the gate starts in step with the input, its end is rounded."""
    return math.floor(expected + 0.5 + 0.1 * float(generator.standard_normal()))


def _frequency_rows(applied: float, gate: float, generator: np.random.Generator) -> list[tuple[object, ...]]:
    gate_true = gate / (1 + SHEET["timebase_fractional_frequency"])
    decimals = max(0, round(math.log10(gate)))
    return [
        (
            "frequency",
            f"{applied:g}",
            "Hz",
            f"{gate:g}",
            "",
            "",
            "1",
            f"{1 / gate:g}",
            f"{count / gate:.{decimals}f}",
        )
        for count in (_counted(applied * gate_true, generator) for _ in range(3))
    ]


def _period_rows(applied: float, periods: int, generator: np.random.Generator) -> list[tuple[object, ...]]:
    tick, faster = SHEET["clock_tick_s"], 1 + SHEET["timebase_fractional_frequency"]
    trigger = SHEET["input_noise_v"] / (2 * math.pi / applied * math.sqrt(2))  # sine of 1 V at its mid level
    rows = []
    for _ in range(3):
        span = applied * periods + trigger * math.sqrt(2) * float(generator.standard_normal())
        count = _counted(span * faster / tick, generator)
        decimals = 7 + round(math.log10(periods))
        reading = f"{count * tick / periods:.{decimals}f}"
        rows.append(("period", f"{applied:g}", "s", "", periods, "", "1", f"{tick / periods:g}", reading))
    return rows


def _totalise_rows(
    applied_hz: float, gate: float, level: float, generator: np.random.Generator
) -> list[tuple[object, ...]]:
    gate_true = gate / (1 + SHEET["timebase_fractional_frequency"])
    rows = []
    for _ in range(3):
        lost = int(generator.poisson(40)) if level < 0.05 else 0
        count = _counted(applied_hz * gate_true, generator) - lost
        rows.append(
            ("totalise", f"{applied_hz * gate:.0f}", "count", f"{gate:g}", "", "", f"{level:g}", "1", count)
        )
    return rows


def _rpm_rows(
    applied: float, pulses: int, gate: float, generator: np.random.Generator
) -> list[tuple[object, ...]]:
    gate_true = gate / (1 + SHEET["timebase_fractional_frequency"])
    digit = 60 / (pulses * gate)
    return [
        ("rpm", f"{applied:g}", "1/min", f"{gate:g}", "", pulses, "1", f"{digit:g}", f"{count * digit:g}")
        for count in (_counted(applied / 60 * pulses * gate_true, generator) for _ in range(3))
    ]


MAKERS = {
    "kittiwake.csv.gz": kittiwake,
    "fulmar.csv.gz": fulmar,
    "fulmar-evening.csv": fulmar_evening,
    "gannet.csv.gz": gannet,
    "kittiwake-history.csv": history,
    "fleet-history.csv": fleet_history,
    "counter-check-readings.csv": readings_sheet,
}

if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
