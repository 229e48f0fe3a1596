"""The counter room: what a reading is worth, and whether a counter is in order.

::

    budget.py       contributions, combined as in the GUM
    trigger.py      jitter of an edge from noise and slew rate; miscounts
    resolution.py   what a count, a tick and a display leave open
    timebase.py     what the timebase adds: from a clock model, a calibration or a specification
    reading.py      reading_uncertainty(): the budget of one reading, what limits it, what would improve it
    reach.py        best_uncertainty(): over frequency and gate time
    sheet.py        a readings sheet as a table; blank_sheet.py makes an empty one
    bench.py        bench_check(): every point of a sheet, and what they say together (bench_points.py)
    card.py         timebase_card(): what a reading is worth on a date, and the reverse
    adjustment.py   suggest_adjustment(): how far to move, and after how many readings
"""
