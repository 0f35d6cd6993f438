/* The steps of windowcast/window/many.py as machine code, and nothing else.

A yard's highs are compared with every bound 64 scenarios at a time, and each comparison becomes a
word, one bit a scenario. Runs of days are joined by doubling, as in many.py; what is counted are the
bits of whole exposures.

There is one way for processors with AVX2 and one for all others. Which of them is taken makes no
difference to any answer: tests/window/test_agreement.py holds both against plain Python. */

#define PY_SSIZE_T_CLEAN
#include <Python.h>
#include <stdint.h>
#include <string.h>

#if defined(__x86_64__) && defined(__GNUC__)
#define HAS_AVX2
#include <immintrin.h>
#endif

#if defined(__GNUC__)
#define INSIDE static inline __attribute__((always_inline))
#define ALONE __restrict
#elif defined(_MSC_VER)
#define INSIDE static __forceinline
#define ALONE __restrict
#else
#define INSIDE static inline
#define ALONE restrict
#endif

enum { WORD = 64, HALF = 32, TOGETHER = 4 };
enum { AND = 0, OR = 1, ANY = 2 };
enum { RESULT, JOIN, ABOVE, NOT_ABOVE, FIRST_DAY, DAYS, STARTS, FIELDS };

/* What is asked for. highs: yards x days x scenarios; found: results x yards x starts;
   steps: rows of FIELDS numbers, the parts of one result one behind the other. */
typedef struct {
    const int16_t *highs, *bounds;
    const int64_t *steps;
    int16_t *found;
    Py_ssize_t yards, days, scenarios, limits, rows, results, starts;
    Py_ssize_t words; /* of a day */
} Task;

/* Room for TOGETHER yards, one behind the other. above: limits x words x days, and then a row of
   words without a bit; joined: words x days; runs: days; last: WORD highs, of which the first are
   the last ones of all. */
typedef struct {
    uint64_t *above, *joined, *runs;
    int16_t *last;
} Room;

/* Some scenarios of one day after another, `apart` highs from day to day, to words: of day d and the
   bound k, to out[k * rows + d], the i-th high as bit i if it is above the bound. */
typedef struct {
    const int16_t *highs, *bounds;
    uint64_t *ALONE out;
    Py_ssize_t days, apart, limits, rows;
    int number; /* of scenarios, up to WORD; as many highs may be read whatever it is */
} Column;

typedef void (*Compare)(Column column);

INSIDE uint64_t first_bits(int number)
{
    return number < WORD ? ((uint64_t)1 << number) - 1 : ~(uint64_t)0;
}

/* Eight bytes that are 0 or 1 as eight bits, in their order whatever the machine's. */
INSIDE uint64_t eight(const uint8_t *flags)
{
    uint64_t bytes = 0;
    for (int at = 0; at < 8; at++) bytes |= (uint64_t)flags[at] << (8 * at);
    return (bytes * 0x0102040810204080u) >> 56;
}

INSIDE void compare_plainly(Column column)
{
    const uint64_t there = first_bits(column.number);
    for (Py_ssize_t limit = 0; limit < column.limits; limit++) {
        const int16_t bound = column.bounds[limit], *highs = column.highs;
        for (Py_ssize_t day = 0; day < column.days; day++, highs += column.apart) {
            uint8_t flags[WORD];
            uint64_t bits = 0;
            for (int at = 0; at < WORD; at++) flags[at] = highs[at] > bound;
            for (int at = 0; at < WORD; at += 8) bits |= eight(flags + at) << at;
            column.out[limit * column.rows + day] = bits & there;
        }
    }
}

INSIDE int ones_in(uint64_t bits)
{
#if defined(__GNUC__)
    return __builtin_popcountll(bits);
#else
    bits -= (bits >> 1) & 0x5555555555555555u;
    bits = (bits & 0x3333333333333333u) + ((bits >> 2) & 0x3333333333333333u);
    return (int)((((bits + (bits >> 4)) & 0x0f0f0f0f0f0f0f0fu) * 0x0101010101010101u) >> 56);
#endif
}

/* All steps of some yards from `first_yard` on, one behind the other: loops are longer then, and all
   still fits into the nearest cache. What is joined across the end of a yard is not counted. */
INSIDE void do_yards(const Task *task, const Room *room, Py_ssize_t first_yard, Py_ssize_t yards,
                     Compare compare)
{
    const Py_ssize_t days = yards * task->days, words = task->words, apart = words * days;
    const Py_ssize_t scenarios = task->scenarios, limits = task->limits;
    const int16_t *bounds = task->bounds;
    const int16_t *highs = task->highs + first_yard * task->days * scenarios;
    const int16_t *end = task->highs + task->yards * task->days * scenarios;
    for (Py_ssize_t word = 0; word < words; word++) {
        const Py_ssize_t left = scenarios - word * WORD;
        Column column = {
            .highs = highs + word * WORD, .bounds = bounds, .out = room->above + word * days,
            .days = days, .apart = scenarios, .limits = limits, .rows = apart,
            .number = left < WORD ? (int)left : WORD,
        };
        /* The very last days may have fewer than WORD highs before the end of all. */
        while (column.days && end - (column.highs + (column.days - 1) * scenarios) < WORD)
            column.days--;
        compare(column);
        for (; column.days < days; column.days++) {
            Column one = column;
            one.highs = memcpy(room->last, column.highs + column.days * scenarios,
                               (size_t)column.number * sizeof *highs);
            one.out += column.days;
            one.days = 1;
            compare(one);
        }
    }
    memset(room->above + limits * apart, 0, (size_t)apart * sizeof *room->above);
    for (Py_ssize_t row = 0; row < task->rows; row++) {
        const int64_t *step = task->steps + row * FIELDS;
        const int begins = row == 0 || step[RESULT - FIELDS] != step[RESULT];
        const int ends = row + 1 == task->rows || step[RESULT + FIELDS] != step[RESULT];
        const Py_ssize_t first = (Py_ssize_t)step[FIRST_DAY], starts = (Py_ssize_t)step[STARTS];
        const Py_ssize_t length = (Py_ssize_t)step[DAYS];
        /* An index of -1 is that of the row without a bit. */
        const Py_ssize_t over = (Py_ssize_t)step[ABOVE];
        const Py_ssize_t under = step[NOT_ABOVE] < 0 ? limits : (Py_ssize_t)step[NOT_ABOVE];
        const int join = (int)step[JOIN];
        /* A day that some scenario knows is one for all of them. */
        const Py_ssize_t sets = join == ANY ? 1 : words;
        for (Py_ssize_t word = 0; word < sets; word++) {
            const uint64_t *more = room->above + over * apart + word * days + first;
            const uint64_t *less = room->above + under * apart + word * days + first;
            uint64_t *ALONE runs = room->runs;
            uint64_t *ALONE joined = room->joined + word * days;
            Py_ssize_t number = days - first;
            for (Py_ssize_t day = 0; day < number; day++) runs[day] = more[day] & ~less[day];
            if (join == ANY)
                for (Py_ssize_t day = 0; day < number; day++) {
                    for (Py_ssize_t other = 1; other < words; other++)
                        runs[day] |= more[other * days + day];
                    runs[day] = runs[day] != 0;
                }
            for (Py_ssize_t reach = 1; reach < length;) {
                const Py_ssize_t ahead = reach < length - reach ? reach : length - reach;
                number -= ahead;
                if (join == OR)
                    for (Py_ssize_t day = 0; day < number; day++) runs[day] |= runs[day + ahead];
                else
                    for (Py_ssize_t day = 0; day < number; day++) runs[day] &= runs[day + ahead];
                reach += ahead;
            }
            number = days - task->days + starts;
            if (begins)
                memcpy(joined, runs, (size_t)number * sizeof *runs);
            else if (join == OR)
                for (Py_ssize_t day = 0; day < number; day++) joined[day] |= runs[day];
            else
                for (Py_ssize_t day = 0; day < number; day++) joined[day] &= runs[day];
        }
        for (Py_ssize_t yard = 0; ends && yard < yards; yard++) {
            int16_t *found =
                task->found + (step[RESULT] * task->yards + first_yard + yard) * task->starts;
            for (Py_ssize_t start = 0; start < starts; start++) {
                int ones = 0;
                for (Py_ssize_t word = 0; word < sets; word++)
                    ones += ones_in(room->joined[word * days + yard * task->days + start]);
                found[start] = (int16_t)ones;
            }
        }
    }
}

INSIDE void do_all(const Task *task, const Room *room, Compare compare)
{
    for (Py_ssize_t yard = 0; yard < task->yards; yard += TOGETHER) {
        const Py_ssize_t left = task->yards - yard;
        do_yards(task, room, yard, left < TOGETHER ? left : TOGETHER, compare);
    }
}

static void do_plainly(const Task *task, const Room *room)
{
    do_all(task, room, compare_plainly);
}

#ifdef HAS_AVX2
#define WITH_AVX2 __attribute__((target("avx2,popcnt")))

/* Two registers are packed to one half by half: each takes every other eight highs, so that the bits
   come out in order. */
#define EIGHTS(at) \
    _mm256_inserti128_si256( \
        _mm256_castsi128_si256(_mm_loadu_si128((const __m128i *)(highs + (at)))), \
        _mm_loadu_si128((const __m128i *)(highs + (at) + 16)), 1)
#define BITS(even, odd, bound) \
    (uint64_t)(uint32_t)_mm256_movemask_epi8( \
        _mm256_packs_epi16(_mm256_cmpgt_epi16(even, bound), _mm256_cmpgt_epi16(odd, bound)))

/* By up to so many bounds, which stay in registers as the highs do. */
enum { AT_ONCE = 3 };

WITH_AVX2 INSIDE void compare_some(Column column, int limits)
{
    const uint64_t there = first_bits(column.number);
    const int16_t *highs = column.highs;
    __m256i bounds[AT_ONCE];
    for (int limit = 0; limit < limits; limit++)
        bounds[limit] = _mm256_set1_epi16(column.bounds[limit]);
    for (Py_ssize_t day = 0; day < column.days; day++, highs += column.apart) {
        const __m256i even = EIGHTS(0), odd = EIGHTS(8);
        const __m256i later_even = EIGHTS(HALF), later_odd = EIGHTS(HALF + 8);
        for (int limit = 0; limit < limits; limit++)
            column.out[limit * column.rows + day] =
                there & (BITS(even, odd, bounds[limit]) |
                         BITS(later_even, later_odd, bounds[limit]) << HALF);
    }
}

WITH_AVX2 INSIDE void compare_with_avx2(Column column)
{
    for (; column.limits >= AT_ONCE; column.limits -= AT_ONCE) {
        compare_some(column, AT_ONCE);
        column.bounds += AT_ONCE;
        column.out += AT_ONCE * column.rows;
    }
    for (; column.limits; column.limits--) {
        compare_some(column, 1);
        column.bounds++;
        column.out += column.rows;
    }
}

WITH_AVX2 static void do_with_avx2(const Task *task, const Room *room)
{
    do_all(task, room, compare_with_avx2);
}
#endif

typedef struct {
    const char *name;
    void (*doing)(const Task *task, const Room *room);
} Way;

/* The ways that this processor knows, the fastest first. */
static int ways_here(Way ways[2])
{
    int number = 0;
#ifdef HAS_AVX2
    if (__builtin_cpu_supports("avx2") && __builtin_cpu_supports("popcnt"))
        ways[number++] = (Way){"avx2", do_with_avx2};
#endif
    ways[number++] = (Way){"plain", do_plainly};
    return number;
}

/* An array that lies in one piece, of so many dimensions and such items. */
static int look_at(PyObject *array, Py_buffer *view, const char *name, int dimensions, int size,
                   int writable)
{
    const int flags = PyBUF_C_CONTIGUOUS | PyBUF_FORMAT | (writable ? PyBUF_WRITABLE : 0);
    if (PyObject_GetBuffer(array, view, flags) < 0) return -1;
    const char *format = view->format ? view->format : "B";
    if (*format == '@' || *format == '=') format++;
    const int whole = size == 2 ? *format == 'h' : *format == 'l' || *format == 'q';
    const int aligned = (uintptr_t)view->buf % (uintptr_t)size == 0;
    if (view->ndim == dimensions && view->itemsize == size && whole && !format[1] && aligned)
        return 0;
    PyErr_Format(PyExc_TypeError, "%s: %d dimensions of '%s'%s; wanted are %d of int%d", name,
                 view->ndim, view->format ? view->format : "B",
                 aligned ? "" : ", not aligned", dimensions, size * 8);
    PyBuffer_Release(view);
    return -1;
}

/* Whether every step stays within the arrays: what does not would read or write elsewhere. */
static int steps_fit(const Task *task)
{
    for (Py_ssize_t row = 0; row < task->rows; row++) {
        const int64_t *step = task->steps + row * FIELDS;
        const int inside =
            step[RESULT] >= 0 && step[RESULT] < task->results && step[JOIN] >= AND &&
            step[JOIN] <= ANY && step[ABOVE] >= 0 && step[ABOVE] < task->limits &&
            step[NOT_ABOVE] >= -1 && step[NOT_ABOVE] < task->limits && step[FIRST_DAY] >= 0 &&
            step[FIRST_DAY] < task->days && step[DAYS] >= 1 && step[DAYS] <= task->days &&
            step[STARTS] >= 1 && step[STARTS] <= task->starts && step[STARTS] <= task->days &&
            step[FIRST_DAY] + step[DAYS] + step[STARTS] - 1 <= task->days;
        /* The parts of one result are counted together at its last; days that some scenario knows
           are one part. */
        const int alike =
            row == 0 || step[RESULT - FIELDS] != step[RESULT] ||
            (step[STARTS - FIELDS] == step[STARTS] && step[JOIN - FIELDS] == step[JOIN] &&
             step[JOIN] != ANY);
        if (!inside || !alike) {
            PyErr_Format(PyExc_ValueError,
                         "steps: row %zd does not fit %zd days, %zd bounds and %zd results", row,
                         task->days, task->limits, task->results);
            return 0;
        }
    }
    return 1;
}

/* Steps and bounds are copied before they are judged: while other threads run, somebody may write to
   the arrays that they came in. Highs and counts cannot be led astray by what is in them. */
static int run(Task *task, const Way *way)
{
    const Py_ssize_t scenarios = task->scenarios;
    if (scenarios > INT16_MAX) {
        PyErr_Format(PyExc_ValueError, "tenths: %zd scenarios; at most %d can be counted", scenarios,
                     INT16_MAX);
        return -1;
    }
    task->words = scenarios / WORD + (scenarios % WORD != 0);
    /* All of these are dimensions of arrays that are there, but for the rows of bounds. */
    const size_t words = (size_t)task->words * (size_t)task->days * TOGETHER;
    const size_t rows = (size_t)task->limits + 1;
    if (words > PY_SSIZE_T_MAX / sizeof(uint64_t) / (rows + 2)) {
        PyErr_NoMemory();
        return -1;
    }
    const size_t step_size = (size_t)task->rows * FIELDS * sizeof *task->steps;
    const size_t bound_size = (size_t)task->limits * sizeof *task->bounds;
    int64_t *steps = PyMem_Malloc(step_size);
    int16_t *bounds = PyMem_Malloc(bound_size);
    uint64_t *room = PyMem_Calloc((rows + 2) * words, sizeof *room);
    int done = -1;
    if (!steps || !bounds || !room) {
        PyErr_NoMemory();
    } else {
        /* Of an array without an item there may be no address. */
        if (step_size) memcpy(steps, task->steps, step_size);
        if (bound_size) memcpy(bounds, task->bounds, bound_size);
        task->steps = steps;
        task->bounds = bounds;
        if (steps_fit(task)) {
            done = 0;
            if (!scenarios) {
                memset(task->found, 0,
                       (size_t)(task->results * task->yards * task->starts) * sizeof *task->found);
            } else if (task->rows && task->yards) {
                int16_t last[WORD] = {0};
                const Room parts = {room, room + rows * words, room + (rows + 1) * words, last};
                Py_BEGIN_ALLOW_THREADS
                way->doing(task, &parts);
                Py_END_ALLOW_THREADS
            }
        }
    }
    PyMem_Free(room);
    PyMem_Free(bounds);
    PyMem_Free(steps);
    return done;
}

static PyObject *take_steps(PyObject *Py_UNUSED(module), PyObject *arguments, PyObject *named)
{
    static char *names[] = {"tenths", "bounds", "steps", "found", "way", NULL};
    PyObject *tenths, *bounds, *steps, *found;
    const char *wanted = NULL;
    if (!PyArg_ParseTupleAndKeywords(arguments, named, "OOOO|$z:take_steps", names, &tenths,
                                     &bounds, &steps, &found, &wanted))
        return NULL;
    Way ways[2];
    const int number = ways_here(ways);
    int which = 0;
    while (wanted && which < number && strcmp(wanted, ways[which].name)) which++;
    if (which == number) {
        PyErr_Format(PyExc_ValueError, "way: '%s' is not known here; ask `ways`", wanted);
        return NULL;
    }
    Py_buffer highs, limits, rows, counts;
    PyObject *done = NULL;
    if (look_at(tenths, &highs, "tenths", 3, 2, 0) < 0) return NULL;
    if (look_at(bounds, &limits, "bounds", 1, 2, 0) < 0) goto after_highs;
    if (look_at(steps, &rows, "steps", 2, 8, 0) < 0) goto after_limits;
    if (look_at(found, &counts, "found", 3, 2, 1) < 0) goto after_rows;
    if (rows.shape[1] != FIELDS || counts.shape[1] != highs.shape[0]) {
        PyErr_Format(PyExc_ValueError,
                     "steps: %zd numbers a row, wanted are %d; found: %zd yards, tenths has %zd",
                     rows.shape[1], FIELDS, counts.shape[1], highs.shape[0]);
    } else {
        Task task = {
            .highs = highs.buf, .bounds = limits.buf, .steps = rows.buf, .found = counts.buf,
            .yards = highs.shape[0], .days = highs.shape[1], .scenarios = highs.shape[2],
            .limits = limits.shape[0], .rows = rows.shape[0],
            .results = counts.shape[0], .starts = counts.shape[2],
        };
        if (run(&task, &ways[which]) == 0) done = Py_NewRef(Py_None);
    }
    PyBuffer_Release(&counts);
after_rows:
    PyBuffer_Release(&rows);
after_limits:
    PyBuffer_Release(&limits);
after_highs:
    PyBuffer_Release(&highs);
    return done;
}

static PyObject *ways(PyObject *Py_UNUSED(module), PyObject *Py_UNUSED(none))
{
    Way here[2];
    const int number = ways_here(here);
    PyObject *names = PyTuple_New(number);
    for (int which = 0; names && which < number; which++) {
        PyObject *name = PyUnicode_FromString(here[which].name);
        if (!name) {
            Py_CLEAR(names);
            break;
        }
        PyTuple_SET_ITEM(names, which, name);
    }
    return names;
}

/* What they take and give is said in compiled.pyi. */
static PyMethodDef methods[] = {
    {"take_steps", (PyCFunction)(void (*)(void))take_steps, METH_VARARGS | METH_KEYWORDS,
     "Fill `found`, (results, yards, starts), from highs (yards, days, scenarios)."},
    {"ways", ways, METH_NOARGS, "The ways that this processor knows, the fastest first."},
    {NULL, NULL, 0, NULL},
};

/* Nothing is kept between calls. */
static PyModuleDef_Slot slots[] = {
#ifdef Py_mod_multiple_interpreters
    {Py_mod_multiple_interpreters, Py_MOD_PER_INTERPRETER_GIL_SUPPORTED},
#endif
#ifdef Py_mod_gil
    {Py_mod_gil, Py_MOD_GIL_NOT_USED},
#endif
    {0, NULL},
};

static struct PyModuleDef module = {
    PyModuleDef_HEAD_INIT,
    .m_name = "compiled",
    .m_doc = "The scan of many yards as machine code.",
    .m_methods = methods,
    .m_slots = slots,
};

PyMODINIT_FUNC PyInit_compiled(void)
{
    return PyModuleDef_Init(&module);
}
