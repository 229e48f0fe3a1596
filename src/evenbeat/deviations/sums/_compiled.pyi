from evenbeat.deviations.averaging import BoolArray, IntArray
from evenbeat.quantities import FloatArray

def squares(
    x: FloatArray,
    rest: FloatArray | None,
    known: IntArray | None,
    lags: IntArray,
    needs: IntArray,
    order: int,
    shift: int,
    begin: int,
    end: int,
    totals: FloatArray,
    terms: IntArray,
    /,
) -> None: ...
def running_sums(
    x: FloatArray,
    level: float,
    slope: float,
    coarse: FloatArray,
    rest: FloatArray,
    known: IntArray | None,
    /,
) -> None: ...
def moving_sums(
    x: FloatArray,
    stride: int,
    order: int,
    levels: FloatArray,
    slope: float,
    state: FloatArray,
    out: FloatArray,
    known: IntArray | None,
    /,
) -> None: ...
def of_parts(
    x: FloatArray,
    known: IntArray | None,
    lag: int,
    order: int,
    whole: int,
    least: int,
    length: int,
    needed: int,
    begin: int,
    state: FloatArray,
    used: BoolArray,
    /,
) -> float: ...
def movements(
    x: FloatArray, factors: IntArray, high: FloatArray, low: FloatArray, largest: FloatArray, /
) -> None: ...
def movement_in_groups(
    x: FloatArray,
    factor: int,
    size: int,
    order: IntArray,
    bounds: FloatArray,
    high: FloatArray,
    low: FloatArray,
    space: FloatArray,
    largest: float,
    /,
) -> float: ...
