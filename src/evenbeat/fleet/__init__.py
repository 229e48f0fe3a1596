"""The fleet: many instruments at once, from a register, a table or a folder of logs, as a due list.

::

    members.py         Member: one instrument with its rows or log; read from a register, a table, a folder
    usual.py           what is usual for a class, learned from the fleet
    judged.py          a member with its history or log → one line of the list; of many posteriors at once
    due.py             DueInstrument, DueList, also as iCalendar
    workers.py         chunks of work here, on local processes, or on a Dask cluster
    assess_fleet.py    assess_fleet(): all of it; keep_list() notes it in the register
"""
