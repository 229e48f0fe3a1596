/* The two kernels of the deviations, the same of partial averages, and the windows of MTIE; plain.py is the same in numpy.
 *
 * `squares` sums the squares of differences: of phase, or of its running sums for the statistics whose terms are
 * moving sums of differences. `running_sums` makes these, `moving_sums` the moving sums themselves where running
 * sums would take too much memory. The interpreter is free meanwhile. No sum depends on how wide the vectors of
 * the processor are: LANES partial sums are kept whatever it has. */
#define PY_SSIZE_T_CLEAN
#include <Python.h>
#include <float.h>
#include <math.h>
#include <stdint.h>

#if FLT_EVAL_METHOD != 0
#error "what is exact in double would not be"
#endif
#if defined(__GNUC__) && !defined(__clang__) && defined(__x86_64__) && defined(__GLIBC__)
#define WIDE __attribute__((target_clones("avx2", "default")))
#define INLINE static inline __attribute__((always_inline))
#else
#define WIDE
#define INLINE static inline
#endif
#define LANES 8
#define TERMS 4096 /* of one averaging factor before it is the turn of the next */
#define PART 256
typedef Py_ssize_t at;

/* Neighbours first: exact where these share an offset or a slope. */
INLINE double difference(const double *x, at m, int order)
{
    switch (order) {
    case 0: return x[0];
    case 1: return x[m] - x[0];
    case 2: return (x[2 * m] - x[m]) - (x[m] - x[0]);
    case 3: return ((x[3 * m] - x[2 * m]) - (x[2 * m] - x[m])) - ((x[2 * m] - x[m]) - (x[m] - x[0]));
    default:
        return (((x[4 * m] - x[3 * m]) - (x[3 * m] - x[2 * m])) - ((x[3 * m] - x[2 * m]) - (x[2 * m] - x[m]))) -
               (((x[3 * m] - x[2 * m]) - (x[2 * m] - x[m])) - ((x[2 * m] - x[m]) - (x[m] - x[0])));
    }
}

/* The same of multiples of one quantum, which are exact in any order. */
INLINE double of_sums(const double *x, at m, int order)
{
    if (order == 3) return (x[3 * m] - x[0]) - 3.0 * (x[2 * m] - x[m]);
    return difference(x, m, order);
}

typedef struct {
    const double *x, *rest; /* phase; or running sums in two parts */
    const int64_t *known;   /* a term counts where known[i + reach] - known[i], or without reach known[i], is need */
    at reach, need;
} Row;

INLINE void lane(Row r, at m, at i, int order, int two, int masked, double *sum, int64_t *count)
{
    double d = two ? of_sums(r.x + i, m, order) + of_sums(r.rest + i, m, order) : difference(r.x + i, m, order);
    if (masked) {
        int64_t counts = masked == 1   ? d == d
                         : masked == 2 ? r.known[i + r.reach] - r.known[i] == r.need
                                       : r.known[i] == r.need;
        d = counts ? d : 0.0;
        *count += counts;
    }
    *sum += d * d;
}

INLINE double lanes(Row r, at m, at n, int order, int two, int masked, int64_t *terms)
{
    double sum[LANES] = {0};
    int64_t count[LANES] = {0};
    at i = 0;
    for (; i + LANES <= n; i += LANES)
        for (int k = 0; k < LANES; k++) lane(r, m, i + k, order, two, masked, sum + k, count + k);
    for (; i < n; i++) lane(r, m, i, order, two, masked, sum, count);
    for (int k = 0; k < LANES; k++) *terms += count[k];
    return ((sum[0] + sum[1]) + (sum[2] + sum[3])) + ((sum[4] + sum[5]) + (sum[6] + sum[7]));
}

/* With some terms unknown, part by part: only where some are known and others not each is asked. */
INLINE double in_parts(Row r, at m, at n, int order, int two, int64_t *terms)
{
    double total = 0;
    int64_t all = 0, per = r.known && order ? r.need / r.reach : 0;
    for (at i = 0; i < n; i += PART) {
        at count = n - i < PART ? n - i : PART;
        Row part = {r.x + i, two ? r.rest + i : NULL, r.known ? r.known + i : NULL, r.reach, r.need};
        const int64_t *known = part.known;
        if (known && !order) {
            total += lanes(part, m, count, order, two, 3, terms);
        } else if (known && count <= r.reach && known[r.reach] - known[count - 1] < r.need - (count - 1) * per) {
            continue; /* a gap that all touch */
        } else if (known && known[r.reach + count - 1] - known[0] < r.need + (count - 1) * per) {
            total += lanes(part, m, count, order, two, 2, terms);
        } else {
            double sum = lanes(part, m, count, order, two, 0, &all);
            total += sum == sum ? sum : lanes(part, m, count, order, two, 1, terms);
            *terms += sum == sum ? count : 0;
        }
    }
    return total;
}

/* For each order a function, so that the compiler knows it. */
#define OF_ORDER(ORDER)                                                                                           \
    WIDE static double squares_##ORDER(Row r, at m, at n, int64_t *terms)                                         \
    {                                                                                                             \
        if (r.known) return r.rest ? in_parts(r, m, n, ORDER, 1, terms) : in_parts(r, m, n, ORDER, 0, terms);     \
        int64_t all = 0;                                                                                          \
        double total = r.rest ? lanes(r, m, n, ORDER, 1, 0, &all) : lanes(r, m, n, ORDER, 0, 0, &all);            \
        if (total != total) return in_parts(r, m, n, ORDER, 0, terms); /* some are NaN */                         \
        *terms += n;                                                                                              \
        return total;                                                                                             \
    }
OF_ORDER(0)
OF_ORDER(1)
OF_ORDER(2)
OF_ORDER(3)
OF_ORDER(4)
static double (*const OF[])(Row, at, at, int64_t *) = {squares_0, squares_1, squares_2, squares_3, squares_4};

/* squares(x, rest, known, lags, needs, order, shift, begin, end, totals, terms): add to totals and terms the squares
 * of the differences that begin in begin … end, for each lag. */
static PyObject *squares(PyObject *self, PyObject *args)
{
    Py_buffer x, rest, known, lags, needs, totals, terms;
    int order, shift;
    at begin, end;
    if (!PyArg_ParseTuple(args, "y*z*z*y*y*iinnw*w*", &x, &rest, &known, &lags, &needs, &order, &shift, &begin, &end,
                          &totals, &terms))
        return NULL;
    at points = x.len / (at)sizeof(double), count = lags.len / (at)sizeof(int64_t);
    Py_BEGIN_ALLOW_THREADS
    for (at first = begin; first < end; first += TERMS)
        for (at k = 0; k < count; k++) {
            at m = ((int64_t *)lags.buf)[k], n = points - order * m - first;
            if (n > end - first) n = end - first;
            if (n > TERMS) n = TERMS;
            if (n <= 0) continue;
            Row row = {(double *)x.buf + first, rest.buf ? (double *)rest.buf + first : NULL,
                       known.buf ? (int64_t *)known.buf + first : NULL, order ? order * m - shift : 0,
                       ((int64_t *)needs.buf)[k]};
            ((double *)totals.buf)[k] += OF[order](row, m, n, (int64_t *)terms.buf + k);
        }
    Py_END_ALLOW_THREADS
    PyBuffer_Release(&x), PyBuffer_Release(&lags), PyBuffer_Release(&needs);
    PyBuffer_Release(&totals), PyBuffer_Release(&terms);
    if (rest.obj) PyBuffer_Release(&rest);
    if (known.obj) PyBuffer_Release(&known);
    Py_RETURN_NONE;
}

INLINE double larger(double a, double b) { return a > b ? a : b; }
INLINE double smaller(double a, double b) { return a < b ? a : b; }

/* Rows are shorter than 2^31 here: an int is converted quickly. */
INLINE double less_line(const double *x, int i, double level, double slope)
{
    double r = x[i] - (level + slope * (double)i);
    return r == r ? r : 0.0;
}

/* Running sums from start, four at a time so that an addition need not wait for the one before it. */
INLINE double running(const double *x, at n, double start, double *out)
{
    at i = 0;
    for (; i + 4 <= n; i += 4) {
        double two = x[i] + x[i + 1], three = two + x[i + 2];
        out[i] = start + x[i], out[i + 1] = start + two, out[i + 2] = start + three;
        out[i + 3] = start = start + (two + (x[i + 2] + x[i + 3]));
    }
    for (; i < n; i++) out[i] = start += x[i];
    return start;
}

WIDE static double largest_of(const double *x, int n, double level, double slope)
{
    double high[LANES] = {0};
    int i = 0;
    for (; i + LANES <= n; i += LANES)
        for (int k = 0; k < LANES; k++) high[k] = larger(high[k], fabs(less_line(x, i + k, level, slope)));
    for (; i < n; i++) high[0] = larger(high[0], fabs(less_line(x, i, level, slope)));
    for (int k = 1; k < LANES; k++) high[0] = larger(high[0], high[k]);
    return high[0];
}

WIDE static void sum_up(const double *x, int n, double level, double slope, double *coarse, double *rest)
{
    int exponent, length;
    frexp(largest_of(x, n, level, slope), &exponent);
    frexp((double)n, &length);
    double shift = ldexp(1.5, exponent + length + 2); /* all sums stay below 2^50 of its last digit */
    double high = 0, low = 0, whole[PART], part[PART];
    coarse[0] = rest[0] = 0;
    for (int i = 0; i < n; i += PART) {
        int count = n - i < PART ? n - i : PART;
        for (int k = 0; k < count; k++) {
            double r = less_line(x, i + k, level, slope);
            whole[k] = (r + shift) - shift;
            part[k] = r - whole[k];
        }
        high = running(whole, count, high, coarse + 1 + i);
        low = running(part, count, low, rest + 1 + i);
    }
}

/* running_sums(x, level, slope, coarse, rest, known): the running sums of x less a line from zero, NaN counting as
 * zero, in two parts. The coarse one is of multiples of one quantum: it and its differences are exact. */
static PyObject *running_sums(PyObject *self, PyObject *args)
{
    Py_buffer x, coarse, rest, known;
    double level, slope;
    if (!PyArg_ParseTuple(args, "y*ddw*w*z*", &x, &level, &slope, &coarse, &rest, &known)) return NULL;
    at n = x.len / (at)sizeof(double);
    double *row = x.buf;
    int64_t *count = known.buf;
    Py_BEGIN_ALLOW_THREADS
    sum_up(row, (int)n, level, slope, coarse.buf, rest.buf);
    if (count)
        for (at i = count[0] = 0; i < n; i++) count[i + 1] = count[i] + (row[i] == row[i]);
    Py_END_ALLOW_THREADS
    PyBuffer_Release(&x), PyBuffer_Release(&coarse), PyBuffer_Release(&rest);
    if (known.obj) PyBuffer_Release(&known);
    Py_RETURN_NONE;
}

#define CHANGES(ORDER)                                                                                            \
    WIDE static void changes_##ORDER(const double *x, at stride, int n, const double *level, double slope,        \
                                     int first, double *out)                                                      \
    {                                                                                                             \
        for (int i = 0; i < n; i++) {                                                                             \
            double r[ORDER + 1];                                                                                  \
            for (int k = 0; k <= ORDER; k++) r[k] = less_line(x + k * stride, first + i, level[k], slope);        \
            out[i] = difference(r, 1, ORDER);                                                                     \
        }                                                                                                         \
    }
CHANGES(2)
CHANGES(3)
CHANGES(4)
static void (*const CHANGES_OF[])(const double *, at, int, const double *, double, int, double *) = {
    NULL, changes_2, changes_3, changes_4};

/* moving_sums(x, stride, order, levels, slope, state, out, known): go on with the sums of as many differences of an
 * order as they reach over. x holds the order + 2 stretches of points that enter and leave, a stride apart; levels what
 * is taken from each beside the slope; state the sum before the first, its rounding, and the number of known points. */
static PyObject *moving_sums(PyObject *self, PyObject *args)
{
    Py_buffer x, levels, state, out, known;
    at stride;
    int order;
    double slope;
    if (!PyArg_ParseTuple(args, "y*niy*dw*w*z*", &x, &stride, &order, &levels, &slope, &state, &out, &known))
        return NULL;
    at n = out.len / (at)sizeof(double);
    double *row = x.buf, *kept = state.buf, *to = out.buf, change[PART];
    int64_t *count = known.buf, there = (int64_t)kept[2];
    Py_BEGIN_ALLOW_THREADS
    for (at i = 0; i < n; i += PART) {
        at length = n - i < PART ? n - i : PART;
        CHANGES_OF[order](row, stride, (int)length, levels.buf, slope, (int)i, change);
        double moved = running(change, length, 0.0, to + i), start = kept[0] + kept[1];
        for (at k = 0; k < length; k++) to[i + k] += start;
        /* the rounding error of a + b = s (Knuth) */
        double s = kept[0] + moved, c = s - kept[0];
        kept[1] += (kept[0] - (s - c)) + (moved - c);
        kept[0] = s;
    }
    if (count) {
        const double *last = row + (order + 1) * stride;
        for (at i = 0; i < n; i++) count[i] = there += (last[i] == last[i]) - (row[i] == row[i]);
    }
    Py_END_ALLOW_THREADS
    kept[2] = (double)there;
    PyBuffer_Release(&x), PyBuffer_Release(&levels), PyBuffer_Release(&state), PyBuffer_Release(&out);
    if (known.obj) PyBuffer_Release(&known);
    Py_RETURN_NONE;
}

/* An advance from what is there of it, NaN where that is too little. */
INLINE double advance(const double *x, const int64_t *known, at m, int64_t whole, int64_t least)
{
    if (!known) return x[m] - x[0];
    int64_t there = known[m] - known[0];
    if (there < least) return NAN;
    return there == whole ? x[m] - x[0] : (x[m] - x[0]) * ((double)whole / (double)there);
}

typedef struct {
    const double *x;
    const int64_t *known;
    at m;
    int64_t whole, least;
} Advances;

INLINE double of_advances(Advances a, at i, int order)
{
    double d[3];
    for (int k = 0; k < order; k++)
        d[k] = advance(a.x + i + k * a.m, a.known ? a.known + i + k * a.m : NULL, a.m, a.whole, a.least);
    if (order == 1) return d[0];
    return order == 2 ? d[1] - d[0] : (d[2] - d[1]) - (d[1] - d[0]);
}

INLINE double squares_of_parts(Advances a, int order, at length, int64_t needed, at begin, at n, double *state,
                               uint8_t *used)
{
    double total = 0, sum = state[0], rest = state[1];
    int64_t count = (int64_t)state[2];
    if (length == 1) {
        for (at i = 0; i < n; i++) {
            double d = of_advances(a, begin + i, order);
            used[i] = d == d;
            total += used[i] ? d * d : 0.0;
        }
        return total;
    }
    for (at i = begin ? begin : 1 - length; i < begin + n; i++) {
        double in = of_advances(a, i + length - 1, order), out = i > 0 ? of_advances(a, i - 1, order) : NAN;
        count += (in == in) - (out == out);
        double change = (in == in ? in : 0.0) - (out == out ? out : 0.0), s = sum + change, c = s - sum;
        rest += (sum - (s - c)) + (change - c);
        sum = s;
        if (i < begin) continue;
        used[i - begin] = count >= needed;
        double mean = used[i - begin] ? (sum + rest) / (double)count : 0.0;
        total += mean * mean;
    }
    state[0] = sum, state[1] = rest, state[2] = (double)count;
    return total;
}

/* of_parts(x, known, lag, order, whole, least, length, needed, begin, state, used) -> float: the sum of the squares of
 * differences of advances over lag points of which at least some samples are there, or of means of length differences
 * of which some are known. used, a byte for each term from begin on, tells which; state, three zeros at first, is the sum
 * of the differences of a mean, its rounding and their number. */
static PyObject *of_parts(PyObject *self, PyObject *args)
{
    Py_buffer x, known, state, used;
    Advances a;
    int order;
    at length, begin;
    long long whole, least, needed;
    if (!PyArg_ParseTuple(args, "y*z*niLLnLnw*w*", &x, &known, &a.m, &order, &whole, &least, &length, &needed, &begin,
                          &state, &used))
        return NULL;
    a.x = x.buf, a.known = known.buf, a.whole = whole, a.least = least;
    double total;
    Py_BEGIN_ALLOW_THREADS
#define PARTS(ORDER) squares_of_parts(a, ORDER, length, needed, begin, used.len, state.buf, used.buf)
    total = order == 1 ? PARTS(1) : order == 2 ? PARTS(2) : PARTS(3);
    Py_END_ALLOW_THREADS
    PyBuffer_Release(&x), PyBuffer_Release(&state), PyBuffer_Release(&used);
    if (known.obj) PyBuffer_Release(&known);
    return PyFloat_FromDouble(total);
}

INLINE double above(double x) { return x == x ? x : INFINITY; }
INLINE double below(double x) { return x == x ? x : -INFINITY; }

/* high[i] = larger of high[i] and high[i + apart], low likewise */
WIDE static void widen(double *high, double *low, at apart, at n)
{
    for (at i = 0; i < n; i++) high[i] = larger(high[i], high[i + apart]);
    for (at i = 0; i < n; i++) low[i] = smaller(low[i], low[i + apart]);
}

WIDE static double largest_between(const double *high, const double *low, at apart, at n, double largest)
{
    double most[LANES];
    for (int k = 0; k < LANES; k++) most[k] = largest;
    at i = 0;
#define LOOK(i, most)                                                                                             \
    do {                                                                                                          \
        double d = larger(high[i], high[(i) + apart]) - smaller(low[i], low[(i) + apart]);                        \
        most = larger(d < INFINITY ? d : -INFINITY, most);                                                        \
    } while (0)
    for (; i + LANES <= n; i += LANES)
        for (int k = 0; k < LANES; k++) LOOK(i + k, most[k]);
    for (; i < n; i++) LOOK(i, most[0]);
    for (int k = 1; k < LANES; k++) most[0] = larger(most[0], most[k]);
    return most[0];
}

/* movements(x, factors, high, low, largest): raise largest to the peak-to-peak values within windows of factor + 1
 * points, for rising factors; high and low are space as long as x. Windows with a NaN do not count. */
static PyObject *movements(PyObject *self, PyObject *args)
{
    Py_buffer x, factors, high, low, largest;
    if (!PyArg_ParseTuple(args, "y*y*w*w*w*", &x, &factors, &high, &low, &largest)) return NULL;
    at points = x.len / (at)sizeof(double), count = factors.len / (at)sizeof(int64_t), length = 1;
    double *top = high.buf, *bottom = low.buf, *row = x.buf, *found = largest.buf;
    Py_BEGIN_ALLOW_THREADS
    for (at i = 0; i < points; i++) top[i] = above(row[i]), bottom[i] = below(row[i]);
    for (at k = 0; k < count; k++) {
        at factor = ((int64_t *)factors.buf)[k];
        if (factor >= points) break;
        for (; 2 * length <= factor + 1; length *= 2) widen(top, bottom, length, points - 2 * length + 1);
        found[k] = largest_between(top, bottom, factor + 1 - length, points - factor, found[k]);
    }
    Py_END_ALLOW_THREADS
    PyBuffer_Release(&x), PyBuffer_Release(&factors), PyBuffer_Release(&high), PyBuffer_Release(&low);
    PyBuffer_Release(&largest);
    Py_RETURN_NONE;
}

/* movement_in_groups(x, factor, size, order, bounds, high, low, space, largest) -> float: the same for long windows, those
 * that begin in the groups named in order; bounds[k] is not below what begins in order[k], and falls; high[g + 1] and
 * low[g + 1] are the extremes of all the groups within every window that begins in group g. */
static PyObject *movement_in_groups(PyObject *self, PyObject *args)
{
    Py_buffer x, order, bounds, high, low, space;
    at factor, size;
    double largest;
    if (!PyArg_ParseTuple(args, "y*nny*y*y*y*w*d", &x, &factor, &size, &order, &bounds, &high, &low, &space, &largest))
        return NULL;
    at points = x.len / (at)sizeof(double), count = order.len / (at)sizeof(int64_t);
    double *row = x.buf, *top = space.buf, *bottom = top + size;
    Py_BEGIN_ALLOW_THREADS
    for (at k = 0; k < count && ((double *)bounds.buf)[k] > largest; k++) {
        at group = ((int64_t *)order.buf)[k], begin = group * size, n = points - factor - begin;
        if (n > size) n = size;
        double up = -INFINITY, down = INFINITY;
        for (at i = size; i-- > 0;) {
            up = top[i] = larger(up, above(row[begin + i])), down = bottom[i] = smaller(down, below(row[begin + i]));
        }
        up = ((double *)high.buf)[group + 1], down = ((double *)low.buf)[group + 1];
        for (at i = (group + factor / size) * size; i < begin + factor; i++)
            up = larger(up, above(row[i])), down = smaller(down, below(row[i]));
        for (at i = 0; i < n; i++) {
            double now = row[begin + factor + i];
            up = larger(up, above(now)), down = smaller(down, below(now));
            double d = larger(up, top[i]) - smaller(down, bottom[i]);
            largest = d > largest && d < INFINITY ? d : largest;
        }
    }
    Py_END_ALLOW_THREADS
    PyBuffer_Release(&x), PyBuffer_Release(&order), PyBuffer_Release(&bounds), PyBuffer_Release(&high);
    PyBuffer_Release(&low), PyBuffer_Release(&space);
    return PyFloat_FromDouble(largest);
}

static PyMethodDef methods[] = {{"squares", squares, METH_VARARGS, NULL},
                                {"running_sums", running_sums, METH_VARARGS, NULL},
                                {"moving_sums", moving_sums, METH_VARARGS, NULL},
                                {"of_parts", of_parts, METH_VARARGS, NULL},
                                {"movements", movements, METH_VARARGS, NULL},
                                {"movement_in_groups", movement_in_groups, METH_VARARGS, NULL},
                                {NULL, NULL, 0, NULL}};
static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_compiled", NULL, 0, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__compiled(void) { return PyModuleDef_Init(&module); }
