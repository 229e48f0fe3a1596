"""evenbeat: how good a timebase is, how it ages, how long it can be trusted, when to calibrate it again.

The way data flows, one frozen type at each arrow::

    live counter --collect--> table on disk
    table on disk --read_log--> Record --condition--> Record --stability--> StabilityCurve --+
                                                        |                                    |
                                                        +------fit_clock--> ClockModel ------+
                                                                              |
        predict_holdover -> HoldoverForecast <--------------------------------+
        suggest_interval -> IntervalSuggestion <------------------------------+
                                                                              |
        assess -> Assessment (all of it) -> plot, write_report <--------------+

A first look::

    import evenbeat as eb

    record = eb.condition(eb.read_log("kittiwake.csv.gz"))
    print(eb.stability(record, "overlapping_allan"))
    model = eb.fit_clock(record, environment=("oven_temperature_c",))
    print(model.aging_rate().per_day)
    print(eb.suggest_interval(model, tolerance=1e-8, reliability=0.95))

Everything inside is SI: seconds, hertz, and fractional frequency without a unit.
"""

import lazy_loader

__version__ = "0.1.0"

__getattr__, _names, __all__ = lazy_loader.attach_stub(__name__, __file__)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
