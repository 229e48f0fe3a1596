"""The counter room: what a reading is worth, and whether a counter is in order.

::

    budget.py       contributions, combined as in the GUM
    resolution.py   what a count, a tick, a display and an edge leave open
    timebase.py     what the timebase adds: from a clock model, a calibration or a specification
    reading.py      reading_uncertainty(): the budget of one reading, what limits it, what would improve it
    reach.py        best_uncertainty(): over frequency and gate time
    sheet.py        a readings sheet as a table, and an empty one
    bench.py        bench_check(): every point of a sheet, and what they say together
    card.py         timebase_card(): what a reading is worth on a date, and the reverse
    adjustment.py   suggest_adjustment(): how far to move, and after how many readings
"""
