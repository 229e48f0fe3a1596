"""The fleet: many instruments at once, from a register, a table or a folder of logs, as a due list.

::

    members.py         Member: one instrument with its rows; read from a register or a table
    many_histories.py  the model of fit_history for many instruments at once
    judged.py          a member with its history or log → one line of the list
    due.py             DueInstrument, DueList
    workers.py         chunks of work here, on local processes, or on a Dask cluster
    assess_fleet.py    assess_fleet(): all of it
"""
