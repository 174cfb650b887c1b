/* Equilibrium of solutions, one row after the other: the compiled twin of newton.py, response.py, solids.py,
 * activity.py and pitzer.py, which are its reference (the same equations under the same names) and take over where a
 * row does not converge here.
 *
 * Unknowns of a row: ln activities `lam` of its masters; the ionic strength (Debye-Hueckel) or ln of every amount
 * (Pitzer), eliminated; amounts of the solids, answered by the activities. Mass balances are solved in logarithmic
 * form by Newton's method. Only masters and species that are in the row take part, so a row's answer does not depend
 * on any other row. It starts from nothing, or from a solution like it where one is given. In the Pitzer model every
 * amount above ACTS takes part in the activity coefficients, and in the Newton step those above STEERS: the rest is
 * answered a step later, at a rate of its share.
 *
 * Python's stable interface alone is used: tables and rows come and go as buffers of doubles and 32-bit integers.
 */
#define Py_LIMITED_API 0x030B0000
#define PY_SSIZE_T_CLEAN
#include <Python.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Where the system chooses between them as the module is loaded: what is hot is compiled for newer processors too. */
#if defined(__x86_64__) && defined(__GLIBC__) && defined(__GNUC__) && !defined(__clang__) && __GNUC__ >= 12
#define HOT __attribute__((target_clones("arch=x86-64-v3", "default")))
#define WITHIN static inline __attribute__((always_inline)) /* what is called while hot, and has to be so too */
#else
#define HOT
#define WITHIN static inline
#endif

#define LN10 2.302585092994046
#define GAS_CONSTANT 8.31446261815324e-3 /* kJ/mol/K */
#define REFERENCE_K 298.15
#define WATER_KG_PER_MOL 0.018015268
#define TINY 1e-22       /* mol/kg: what a balance of nothing is held at */
#define LN_TINY -160.0
#define MAX_STEP 3.0
#define LONGEST 1.2      /* longest step of ln of an amount that acts (Pitzer): that rises from above, and falls from */
#define RISES 1e-6
#define FALLS 1e-4
#define TOLERANCE 1e-11
#define NEARLY 3e-9      /* a last whole step squares what is left */
#define ROUGHLY 0.1       /* near enough for the Pitzer model to begin from */
#define STRONG_NEARLY 2e-11
#define LEAST_SHARE 1e-3
#define SQUARES_AWAY 1e-6
#define APPROACHES 3
#define LEAST_LN -230.0
#define MOST_LN 7.0
#define LEAST 1.3e-100  /* mol/kg, as these logarithms */
#define MOST_THERE 1096.6
#define LEAST_WATER_LEFT 0.05
#define HELD_ABOVE 1.0   /* ionic strength from which Debye-Hueckel coefficients are held */
#define ACTS 1e-10       /* mol/kg: less does not act on the others (Pitzer) */
#define STEERS 1e-3
#define MOST_STEER 64    /* species that steer; further ones only act */
#define MOST 40.0
#define MOST_CHARGE 6    /* of an ion */
#define MOST_CHARGES (2 * MOST_CHARGE + 1)
#define FAR_BELOW_SI -2.0 /* solids further below saturation are looked at only once the others have formed */
#define STEEP 1e6
#define SATURATED 1e-9
#define SETTLED 0.1
#define FAR_OVER 1.03
#define MOST_OF_A_SOLID 100.0
#define PITZER_B 1.2
#define SIGMA_COUNTS 1e-4 /* mol/kg: less moves the index of nothing */
#define SIGMA_OWN 0.1     /* mol/mol: shares of a salt's ions below this are not its own */
#define SIGMA_BEYOND 0.015
#define DILUTE_ROUNDS 160
#define STRONG_ROUNDS 400
#define NEAR_ROUNDS 14
#define SOLID_ROUNDS 30
#define GUESSED 1
#define INTERIOR 2
#define INTERIOR_ROUNDS 200

#define HOLD_PH 1
#define HOLD_ALKALINITY 2
#define HOLD_GAS 4

/* --- tables of a set of constants ------------------------------------------------------------------------------- */

typedef struct {
    int N, S, P, h, co3, pitzer;
    double *nu, *water, *ln_k, *delta_h, *charge; /* S x N, S ... */
    int *kind, K;
    double *kind_z2, *kind_a, *kind_b;
    int *kind_davies;
    double *alkalinity; /* N */
    double *phase_nu, *phase_water, *phase_ln_k, *phase_delta_h;
    int gas; /* place of carbon dioxide gas among the phases */
    int analytics, *analytic_of;
    double *analytic;
    int curves, *curve_of, *curve_start;
    double *curve_c, *curve_ln_k, *curve_ln_molality;
    int pairs, *pair, *pair_alpha; /* pairs x 2 ; 0: 2.0 and 12, 1: 1.4 and 12, 2: 2.0 and 50 */
    double *beta0, *beta1, *beta2, *cphi; /* pairs x 6 */
    int likes, *like;
    double *like_value;
    int triples, *triple;
    double *triple_value;
    double *sigma, *sigma_per_c, *fitted_up_to; /* S x S, where pitzer */
    int powers, squares; /* room that the species' products and parts of the jacobian take */
    /* nu and phase_nu, sparse; what alkalinity is in a species */
    int *in_start, *in, *phase_in_start, *phase_in;
    double *times, *phase_times, *alkaline;
} Model;

static void *copied(PyObject *tables, const char *name, char type, int *count) {
    PyObject *item = PyDict_GetItemString(tables, name); /* borrowed */
    if (item == NULL) { PyErr_Format(PyExc_KeyError, "%s", name); return NULL; }
    Py_buffer view;
    if (PyObject_GetBuffer(item, &view, PyBUF_C_CONTIGUOUS | PyBUF_FORMAT) != 0) return NULL;
    /* A 32-bit integer is "l" on some systems. */
    char is = view.format == NULL ? '?' : view.format[0] == 'l' && view.itemsize == 4 ? 'i' : view.format[0];
    if (is != type) {
        PyBuffer_Release(&view);
        PyErr_Format(PyExc_TypeError, "%s is not of type %c", name, type);
        return NULL;
    }
    void *out = malloc(view.len > 0 ? (size_t)view.len : 8);
    if (out == NULL) { PyBuffer_Release(&view); PyErr_NoMemory(); return NULL; }
    memcpy(out, view.buf, (size_t)view.len);
    *count = (int)(view.len / view.itemsize);
    PyBuffer_Release(&view);
    return out;
}

static void release(Model *m) {
    void *all[] = {m->nu, m->water, m->ln_k, m->delta_h, m->charge, m->kind, m->kind_z2, m->kind_a, m->kind_b,
        m->kind_davies, m->alkalinity, m->phase_nu, m->phase_water, m->phase_ln_k, m->phase_delta_h, m->analytic_of,
        m->analytic, m->curve_of, m->curve_start, m->curve_c, m->curve_ln_k, m->curve_ln_molality, m->pair,
        m->pair_alpha, m->beta0, m->beta1, m->beta2, m->cphi, m->like, m->like_value, m->triple, m->triple_value,
        m->sigma, m->sigma_per_c, m->fitted_up_to, m->in_start, m->in, m->phase_in_start, m->phase_in, m->times,
        m->phase_times, m->alkaline};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) free(all[i]);
    free(m);
}

static void forget(PyObject *capsule) {
    Model *m = PyCapsule_GetPointer(capsule, "pourcheck.kernel");
    if (m != NULL) release(m);
}

/* The entries of a table rows x columns that are not 0: where those of each row start, their columns and values. */
static int sparse(const double *table, int rows, int columns, int **start, int **in, double **times) {
    size_t room = sizeof(double) * (size_t)(rows * columns + 1);
    *start = malloc(sizeof(int) * (size_t)(rows + 1)), *in = malloc(room), *times = malloc(room);
    if (*start == NULL || *in == NULL || *times == NULL) return 0;
    int entry = 0;
    for (int i = 0; i < rows; i++) {
        (*start)[i] = entry;
        for (int j = 0; j < columns; j++) {
            double one = table[(size_t)i * (size_t)columns + (size_t)j];
            if (one != 0.0) (*in)[entry] = j, (*times)[entry++] = one;
        }
    }
    (*start)[rows] = entry;
    return 1;
}

/* prepare(tables, (h, co3, gas, pitzer)) -> the tables as the kernel keeps them */
static PyObject *prepare(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *tables;
    int h, co3, gas, pitzer, count;
    if (!PyArg_ParseTuple(args, "O(iiii)", &tables, &h, &co3, &gas, &pitzer)) return NULL;
    Model *m = calloc(1, sizeof *m);
    if (m == NULL) return PyErr_NoMemory();
    m->h = h, m->co3 = co3, m->gas = gas, m->pitzer = pitzer;
#define TAKE(field, type, into) do { m->field = copied(tables, #field, type, &count); \
        if (m->field == NULL) { release(m); return NULL; } into; } while (0)
    TAKE(water, 'd', m->S = count);
    TAKE(nu, 'd', m->N = count / m->S);
    TAKE(ln_k, 'd', ); TAKE(delta_h, 'd', ); TAKE(charge, 'd', ); TAKE(kind, 'i', );
    TAKE(kind_z2, 'd', m->K = count);
    TAKE(kind_a, 'd', ); TAKE(kind_b, 'd', ); TAKE(kind_davies, 'i', ); TAKE(alkalinity, 'd', );
    TAKE(phase_water, 'd', m->P = count);
    TAKE(phase_nu, 'd', ); TAKE(phase_ln_k, 'd', ); TAKE(phase_delta_h, 'd', );
    TAKE(analytic_of, 'i', m->analytics = count); TAKE(analytic, 'd', );
    TAKE(curve_of, 'i', m->curves = count);
    TAKE(curve_start, 'i', ); TAKE(curve_c, 'd', ); TAKE(curve_ln_k, 'd', ); TAKE(curve_ln_molality, 'd', );
    TAKE(pair_alpha, 'i', m->pairs = count);
    TAKE(pair, 'i', ); TAKE(beta0, 'd', ); TAKE(beta1, 'd', ); TAKE(beta2, 'd', ); TAKE(cphi, 'd', );
    TAKE(like, 'i', m->likes = count / 2); TAKE(like_value, 'd', );
    TAKE(triple, 'i', m->triples = count / 3); TAKE(triple_value, 'd', );
    TAKE(sigma, 'd', ); TAKE(sigma_per_c, 'd', ); TAKE(fitted_up_to, 'd', );
#undef TAKE
    m->alkaline = malloc(sizeof(double) * (size_t)m->S);
    if (m->alkaline == NULL || !sparse(m->nu, m->S, m->N, &m->in_start, &m->in, &m->times) ||
        !sparse(m->phase_nu, m->P, m->N, &m->phase_in_start, &m->phase_in, &m->phase_times)) {
        release(m);
        return PyErr_NoMemory();
    }
    for (int s = 0; s < m->S; s++) {
        int in_it = m->in_start[s + 1] - m->in_start[s];
        m->squares += in_it * (in_it + 1) / 2;
        m->alkaline[s] = -m->nu[(size_t)s * (size_t)m->N + (size_t)h];
        for (int e = m->in_start[s]; e < m->in_start[s + 1]; e++) {
            m->powers += (int)fabs(m->times[e]);
            m->alkaline[s] += m->times[e] * m->alkalinity[m->in[e]];
        }
        if (fabs(m->charge[s]) > MOST_CHARGE) {
            release(m);
            PyErr_SetString(PyExc_ValueError, "an ion has more charges than the kernel has room for");
            return NULL;
        }
    }
    PyObject *capsule = PyCapsule_New(m, "pourcheck.kernel", forget);
    if (capsule == NULL) release(m);
    return capsule;
}

/* --- working room of a thread ------------------------------------------------------------------------------------ */

typedef struct {
    int i, j, k, alpha, flat;
    double b0, b1, b2, c;
} Pair;
typedef struct { int i, j, k; double value; } Like;
typedef struct { int i, j, k, row; double value; } Triple;

typedef struct {
    const Model *m;
    /* what is in the row: masters, species and their stoichiometry, sparse */
    int n, wide, ns, h, co3, *masters, *of_master, *species;
    /* the phases that its masters can make, likewise */
    int nphases, *made, *made_start, *made_place;
    double *made_count;
    int *start, *place;
    double *count, *water, *z, *z2, *up, *down, *carbonic, *other;
    int *kind, nkinds, *kinds; /* of each species, and those that are there */
    /* its activities as a product: places of a master's activity, or n further of its inverse, each as often as it
     * stands there; its part of the jacobian: places and weights of one triangle */
    int *times_start, *times, *square_start, *square;
    double *weight;
    double *ln_k, *k;
    double *total, *ln_total, *lam, *a; /* a: activities, then their inverses */
    /* amounts and how they answer a step */
    double *c, *u, *ln_gamma, *off, *du, *kind_ln, *kind_slope;
    double strength, change, drift_off, ln_aw, gap;
    double *reach, *q, q0;
    double *sum, *jacobian, *shift, *gain, *lose, *carb, *oth, *step, *residual;
    double gained, lost, gain0, lose0, carb0, oth0, carb_sum, oth_sum;
    /* Pitzer: pairs of the species that are there, at this temperature */
    int npairs, nlikes, ntriples;
    Pair *pairs;
    Like *likes;
    Triple *triples;
    /* charges that there are, that of each species, and what two of one sign that differ come to (and per strength) */
    int ncharges, *charge_of;
    double charges[MOST_CHARGES], apart[MOST_CHARGES][MOST_CHARGES], apart1[MOST_CHARGES][MOST_CHARGES];
    double *mm, *lm, *l1m, *cm, *hessian, *inner, *right;
    int *acts, *steers, *steering, *nobody, nsteer; /* nobody: -1 for every species */
    /* the masters in the amounts that steer: their answers' columns, with one more for what comes without a step */
    int ncolumns, stride, *columns, *column_of;
    double *answers, *qc, *stepc; /* what the answers come to by master, then gained, lost, carbonic and other */
    double a_phi;
    double known_temperature, known_strong, known_k;
    int known_n, *known_masters, known_held;
    /* a solution like the row, by master and species: none where start_totals is NULL */
    const double *start_totals, *start_lam, *start_molality;
    double start_strength;
    /* solids */
    int np, *phases, *there;
    double *pnu, *pwater, *pln_k, *pup, *pdown, *cap, *x, *over, *stiff, *push, *nu_step;
    /* by the interior point: undersaturations, what they are off by with the drift, and how x and they answer */
    double *under, *moved, *dx, *dunder, narrow;
    /* constants of every phase, and saturated molalities of the salts with a curve, at the temperature they are for */
    double *at_ln_k, *at_saturated, at_k;
    /* gas */
    double *gas_nu, gas_water, gas_ln_k;
} Room;

#define PADDED(n) (((n) + 3) & ~3) /* rows of a system are whole vectors of four */

#define AREA(type, size) (type *)take(&rest, sizeof(type) * (size_t)(size))
static void *take(char **rest, size_t size) {
    void *out = *rest;
    if (*rest != NULL) *rest += (size + 15) & ~(size_t)15;
    return out;
}

static size_t lay_out(Room *r, const Model *m, char *rest) {
    int N = m->N, S = m->S, P = m->P;
    char *base = rest == NULL ? (char *)16 : rest; /* counted from a made-up place when nothing is there yet */
    rest = base;
    r->m = m;
    r->masters = AREA(int, N); r->of_master = AREA(int, N); r->species = AREA(int, S); r->start = AREA(int, S + 1);
    r->place = AREA(int, S * N); r->count = AREA(double, S * N);
    r->times_start = AREA(int, S + 1); r->times = AREA(int, m->powers); r->kinds = AREA(int, m->K);
    r->square_start = AREA(int, S + 1); r->square = AREA(int, m->squares); r->weight = AREA(double, m->squares);
    r->water = AREA(double, S); r->z = AREA(double, S); r->z2 = AREA(double, S); r->up = AREA(double, S);
    r->down = AREA(double, S); r->carbonic = AREA(double, S); r->other = AREA(double, S); r->kind = AREA(int, S);
    r->ln_k = AREA(double, S); r->k = AREA(double, S);
    r->total = AREA(double, N); r->ln_total = AREA(double, N); r->lam = AREA(double, N); r->a = AREA(double, 2 * N);
    r->c = AREA(double, S); r->u = AREA(double, S); r->ln_gamma = AREA(double, S); r->off = AREA(double, S);
    r->du = AREA(double, S); r->kind_ln = AREA(double, m->K);
    r->kind_slope = AREA(double, m->K);
    r->reach = AREA(double, N); r->q = AREA(double, N); r->sum = AREA(double, N); r->jacobian = AREA(double, N * PADDED(N));
    r->shift = AREA(double, N); r->gain = AREA(double, N); r->lose = AREA(double, N); r->carb = AREA(double, N);
    r->oth = AREA(double, N); r->step = AREA(double, N); r->residual = AREA(double, N);
    r->pairs = AREA(Pair, m->pairs); r->likes = AREA(Like, m->likes); r->triples = AREA(Triple, m->triples);
    r->charge_of = AREA(int, S);
    r->mm = AREA(double, S); r->lm = AREA(double, S); r->l1m = AREA(double, S); r->cm = AREA(double, S);
    r->hessian = AREA(double, MOST_STEER * MOST_STEER); r->inner = AREA(double, MOST_STEER * MOST_STEER);
    r->right = AREA(double, MOST_STEER * PADDED(N + 1)); r->answers = AREA(double, (N + 4) * PADDED(N + 1));
    r->qc = AREA(double, PADDED(N + 1)); r->stepc = AREA(double, PADDED(N + 1));
    r->columns = AREA(int, N); r->column_of = AREA(int, N);
    r->acts = AREA(int, S); r->steers = AREA(int, S); r->steering = AREA(int, S); r->nobody = AREA(int, S); r->known_masters = AREA(int, N);
    r->phases = AREA(int, P); r->there = AREA(int, P); r->pnu = AREA(double, P * N); r->pwater = AREA(double, P);
    r->pln_k = AREA(double, P); r->pup = AREA(double, P); r->pdown = AREA(double, P); r->cap = AREA(double, P);
    r->x = AREA(double, P); r->over = AREA(double, P); r->stiff = AREA(double, P); r->push = AREA(double, P);
    r->under = AREA(double, P); r->moved = AREA(double, P); r->dx = AREA(double, P); r->dunder = AREA(double, P);
    r->nu_step = AREA(double, P * N); r->gas_nu = AREA(double, N);
    r->made = AREA(int, P); r->made_start = AREA(int, P + 1); r->made_place = AREA(int, P * N);
    r->made_count = AREA(double, P * N);
    r->at_ln_k = AREA(double, P); r->at_saturated = AREA(double, m->curves + 1);
    return (size_t)(rest - base);
}

WITHIN double clip(double x, double low, double high) { return x < low ? low : x > high ? high : x; }

WITHIN void exchange(double *one, double *two, int first, int end) {
    for (int j = first; j < end; j++) { double t = one[j]; one[j] = two[j]; two[j] = t; }
}

/* one[j] -= f * two[j], from a multiple of four up to another one. */
WITHIN void subtract(double *one, const double *two, double f, int first, int end) {
    for (int j = first; j < end; j += 4) {
        one[j] -= f * two[j], one[j + 1] -= f * two[j + 1], one[j + 2] -= f * two[j + 2], one[j + 3] -= f * two[j + 3];
    }
}

/* The linear system n by n with `stride` right sides (1, or a padded number), in place, rows padded; 0 where it is singular. What is left of
 * the diagonal is not kept. */
WITHIN int eliminate(double *restrict a, double *restrict b, int n, int stride) {
    int wide = PADDED(n);
    for (int k = 0; k < n; k++) {
        int best = k;
        double most = fabs(a[k * wide + k]);
        for (int i = k + 1; i < n; i++) {
            double one = fabs(a[i * wide + k]);
            if (one > most) most = one, best = i;
        }
        double pivot = a[best * wide + k];
        if (!(most > 0.0) || !isfinite(pivot)) return 0;
        if (best != k) exchange(a + k * wide, a + best * wide, k & ~3, wide), exchange(b + k * stride, b + best * stride, 0, stride);
        double scale = 1.0 / pivot;
        for (int i = k + 1; i < n; i++) {
            double f = a[i * wide + k] * scale;
            if (f == 0.0) continue;
            subtract(a + i * wide, a + k * wide, f, (k + 1) & ~3, wide);
            if (stride == 1) b[i] -= f * b[k];
            else subtract(b + i * stride, b + k * stride, f, 0, stride);
        }
    }
    for (int k = n - 1; k >= 0; k--) {
        double scale = 1.0 / a[k * wide + k];
        if (stride == 1) {
            double t[4] = {b[k], 0.0, 0.0, 0.0};
            int i = k + 1;
            for (; i & 3 && i < n; i++) t[0] -= a[k * wide + i] * b[i];
            for (; i < n - 3; i += 4) for (int l = 0; l < 4; l++) t[l] -= a[k * wide + i + l] * b[i + l];
            for (; i < n; i++) t[1] -= a[k * wide + i] * b[i];
            b[k] = (t[0] + t[1] + (t[2] + t[3])) * scale;
            continue;
        }
        for (int i = k + 1; i < n; i++) subtract(b + k * stride, b + i * stride, a[k * wide + i], 0, stride);
        for (int j = 0; j < stride; j++) b[k * stride + j] *= scale;
    }
    return 1;
}

HOT static int solve_one(double *a, double *b, int n) { return eliminate(a, b, n, 1); }

HOT static int solve_many(double *a, double *b, int n, int columns) { return eliminate(a, b, n, PADDED(columns)); }

/* --- what is in a row -------------------------------------------------------------------------------------------- */

static double protons(const Room *r, const double *nu, int held) {
    return held & HOLD_GAS ? nu[r->m->h] - 2.0 * nu[r->m->co3] : nu[r->m->h];
}

static void pairs_of_row(Room *r);

/* The masters of the row and the species that they make; kept where the row before had the same. */
static void gather(Room *r, const double *total, int held) {
    const Model *m = r->m;
    int n = 0, same = held == r->known_held;
    for (int j = 0; j < m->N; j++) {
        if (total[j] > 0.0 || j == m->h) {
            if (n >= r->known_n || r->known_masters[n] != j) same = 0;
            r->masters[n++] = j;
        }
    }
    same = same && n == r->known_n;
    r->n = n, r->wide = PADDED(n);
    if (!same) {
        for (int j = 0; j < m->N; j++) r->of_master[j] = -1;
        for (int j = 0; j < n; j++) r->known_masters[j] = r->masters[j], r->of_master[r->masters[j]] = j;
        r->known_n = n, r->known_held = held;
        r->h = r->of_master[m->h], r->co3 = r->of_master[m->co3];
        int ns = 0, entry = 0, times = 0, square = 0;
        memset(r->kinds, 0, sizeof(int) * (size_t)m->K);
        for (int s = 0; s < m->S; s++) {
            const double *nu = m->nu + (size_t)s * m->N;
            int first = entry, possible = 1;
            for (int e = m->in_start[s]; e < m->in_start[s + 1] && possible; e++) {
                possible = r->of_master[m->in[e]] >= 0;
                r->place[entry] = r->of_master[m->in[e]], r->count[entry] = m->times[e], entry++;
            }
            if (!possible) { entry = first; continue; }
            double nu_h = protons(r, nu, held), alkalinity = m->alkaline[s];
            r->species[ns] = s, r->start[ns] = first;
            r->water[ns] = m->water[s], r->z[ns] = m->charge[s], r->z2[ns] = m->charge[s] * m->charge[s];
            r->up[ns] = nu_h > 0.0 ? nu_h : 0.0, r->down[ns] = nu_h < 0.0 ? -nu_h : 0.0;
            r->carbonic[ns] = nu[m->co3] != 0.0 ? alkalinity : 0.0;
            r->other[ns] = nu[m->co3] != 0.0 ? 0.0 : alkalinity;
            r->kind[ns] = m->kind[s], r->kinds[m->kind[s]] = 1;
            r->times_start[ns] = times, r->square_start[ns] = square;
            for (int e = first; e < entry; e++) {
                int inverse = r->count[e] < 0.0 ? n : 0;
                for (int k = 0; k < (int)fabs(r->count[e]); k++) r->times[times++] = r->place[e] + inverse;
                for (int f = e; f < entry; f++)
                    r->square[square] = r->place[e] * r->wide + r->place[f], r->weight[square++] = r->count[e] * r->count[f];
            }
            ns++;
        }
        r->start[ns] = entry, r->times_start[ns] = times, r->square_start[ns] = square;
        r->nkinds = 0;
        for (int k = 0; k < m->K; k++) if (r->kinds[k]) r->kinds[r->nkinds++] = k;
        r->ns = ns;
        r->nphases = entry = 0;
        for (int p = 0; p < m->P; p++) {
            int possible = 1, first = entry;
            for (int e = m->phase_in_start[p]; e < m->phase_in_start[p + 1] && possible; e++) {
                possible = r->of_master[m->phase_in[e]] >= 0;
                r->made_place[entry] = r->of_master[m->phase_in[e]], r->made_count[entry] = m->phase_times[e], entry++;
            }
            if (possible) r->made[r->nphases] = p, r->made_start[r->nphases++] = first;
            else entry = first;
        }
        r->made_start[r->nphases] = entry;
        if (m->pitzer) pairs_of_row(r);
        r->known_temperature = r->known_k = -1.0;
    }
    for (int j = 0; j < n; j++) {
        r->total[j] = total[r->masters[j]];
        r->ln_total[j] = log(r->total[j] > TINY ? r->total[j] : TINY);
    }
    if (held & HOLD_GAS)
        for (int j = 0; j < n; j++) r->gas_nu[j] = m->phase_nu[(size_t)m->gas * m->N + r->masters[j]];
}

/* A table of a curve at a temperature, straight between its points, and on along its ends or level beyond them. */
static double along_curve(const Model *m, const double *table, int curve, double t, int level) {
    int first = m->curve_start[curve], last = m->curve_start[curve + 1] - 1, k = first;
    double c = t - 273.15;
    if (level) c = clip(c, m->curve_c[first], m->curve_c[last]);
    if (first == last) return table[first];
    while (k < last - 1 && c > m->curve_c[k + 1]) k++;
    return table[k] + (table[k + 1] - table[k]) / (m->curve_c[k + 1] - m->curve_c[k]) * (c - m->curve_c[k]);
}

/* ln K of every phase, and the saturated molalities; kept while the temperature stays. */
static void phases_at(Room *r, double t) {
    const Model *m = r->m;
    if (r->at_k == t) return;
    double span = (1.0 / REFERENCE_K - 1.0 / t) / GAS_CONSTANT;
    for (int p = 0; p < m->P; p++) r->at_ln_k[p] = m->phase_ln_k[p] + span * m->phase_delta_h[p];
    for (int i = 0; i < m->analytics; i++) {
        const double *e = m->analytic + 6 * i;
        r->at_ln_k[m->analytic_of[i]] =
            LN10 * (e[0] + e[1] * t + e[2] / t + e[3] * log10(t) + e[4] / (t * t) + e[5] * t * t);
    }
    for (int i = 0; i < m->curves; i++) {
        r->at_ln_k[m->curve_of[i]] = along_curve(m, m->curve_ln_k, i, t, 0);
        r->at_saturated[i] = exp(along_curve(m, m->curve_ln_molality, i, t, 1));
    }
    r->at_k = t;
}

/* --- dilute: Debye-Hueckel --------------------------------------------------------------------------------------- */

typedef struct { double a, b; } Water;

HOT static void dilute_gamma(Room *r, Water w, double strength) {
    const Model *m = r->m;
    int held = strength >= HELD_ABOVE;
    double i = clip(strength, 1e-12, HELD_ABOVE), root = sqrt(i);
    for (int i_ = 0; i_ < r->nkinds; i_++) {
        int k = r->kinds[i_];
        double below = 1.0 + (m->kind_davies[k] ? 1.0 : w.b * m->kind_a[k]) * root;
        double linear = m->kind_davies[k] ? 0.3 * w.a * m->kind_z2[k] : m->kind_b[k];
        r->kind_ln[k] = (-w.a * m->kind_z2[k] * root / below + linear * i) * LN10;
        r->kind_slope[k] = held ? 0.0 : (-w.a * m->kind_z2[k] / (2.0 * root * below * below) + linear) * LN10;
    }
}

/* Activities of the masters and their inverses. */
static void activities(Room *r) {
    int n = r->n;
    for (int j = 0; j < n; j++) r->a[j] = exp(r->lam[j]), r->a[n + j] = 1.0 / r->a[j];
}

/* 1/gamma of the kinds of species, in place of their ln gamma. */
static void inverse_gamma(Room *r) {
    for (int i = 0; i < r->nkinds; i++) r->kind_ln[r->kinds[i]] = exp(-r->kind_ln[r->kinds[i]]);
}

/* The amount of a species at these activities and this 1/gamma of its kind. */
WITHIN double product(const Room *r, int s) {
    double out = r->k[s] * r->kind_ln[r->kind[s]];
    for (int e = r->times_start[s]; e < r->times_start[s + 1]; e++) out *= r->a[r->times[e]];
    return out;
}

/* Amounts at the present activities and ionic strength. */
HOT static void dilute_amounts(Room *r, Water w) {
    double all = 0.0, charged = 0.0;
    dilute_gamma(r, w, r->strength);
    inverse_gamma(r);
    activities(r);
    for (int s = 0; s < r->ns; s++) {
        double c = product(r, s);
        c = c > LEAST ? (c < MOST_THERE ? c : MOST_THERE) : LEAST;
        r->c[s] = c;
        all += c;
    }
    r->ln_aw = log(clip(1.0 - 0.017 * all, 0.3, 1.0));
    for (int s = 0; s < r->ns; s++) {
        if (r->water[s] != 0.0) r->c[s] *= exp(r->water[s] * r->ln_aw);
        charged += r->c[s] * r->z2[s];
    }
    r->gap = 0.5 * charged - r->strength;
}

static void clear_sums(Room *r) {
    int n = r->n;
    memset(r->sum, 0, sizeof(double) * (size_t)n);
    memset(r->jacobian, 0, sizeof(double) * (size_t)(n * r->wide));
    memset(r->shift, 0, sizeof(double) * (size_t)n);
    memset(r->gain, 0, sizeof(double) * (size_t)n);
    memset(r->lose, 0, sizeof(double) * (size_t)n);
    memset(r->carb, 0, sizeof(double) * (size_t)n);
    memset(r->oth, 0, sizeof(double) * (size_t)n);
    r->gained = r->lost = r->gain0 = r->lose0 = r->carb0 = r->oth0 = r->carb_sum = r->oth_sum = 0.0;
}

/* Weighted sums of the amounts and their change where ln c answers by nu alone; of the jacobian's two equal halves the
 * upper one. */
WITHIN void plain_sums(Room *r, int s, int alkalinity) {
    const int first = r->start[s], end = r->start[s + 1], *place = r->place;
    double c = r->c[s];
    for (int k = r->square_start[s]; k < r->square_start[s + 1]; k++) r->jacobian[r->square[k]] += c * r->weight[k];
    for (int e = first; e < end; e++) r->sum[place[e]] += c * r->count[e];
    double up = c * r->up[s], down = c * r->down[s];
    if (up != 0.0) {
        r->gained += up;
        for (int e = first; e < end; e++) r->gain[place[e]] += up * r->count[e];
    } else if (down != 0.0) {
        r->lost += down;
        for (int e = first; e < end; e++) r->lose[place[e]] += down * r->count[e];
    }
    if (alkalinity) {
        double one = c * r->carbonic[s], two = c * r->other[s];
        r->carb_sum += one, r->oth_sum += two;
        for (int e = first; e < end; e++) {
            r->carb[place[e]] += one * r->count[e];
            r->oth[place[e]] += two * r->count[e];
        }
    }
}

WITHIN void mirror(Room *r) {
    double *square = r->jacobian;
    for (int j = 1; j < r->n; j++) for (int k = 0; k < j; k++) square[j * r->wide + k] = square[k * r->wide + j];
}

HOT static void dilute_sums(Room *r, int alkalinity) {
    double *drift = r->du, *reach = r->reach;
    memset(reach, 0, sizeof(double) * (size_t)r->n);
    memset(drift, 0, sizeof(double) * (size_t)r->n);
    for (int s = 0; s < r->ns; s++) {
        plain_sums(r, s, alkalinity);
        double part = r->c[s] * r->kind_slope[r->kind[s]], half = 0.5 * r->c[s] * r->z2[s];
        for (int e = r->start[s]; e < r->start[s + 1]; e++)
            drift[r->place[e]] += part * r->count[e], reach[r->place[e]] += half * r->count[e];
    }
    mirror(r);
}

/* What the change of the ionic strength does to the sums; it is held while the balances are still far off. */
HOT static void strength_answers(Room *r, int near) {
    int n = r->n;
    double *drift = r->du, *reach = r->reach, q = 1.0, up = 0.0, down = 0.0, one = 0.0, two = 0.0;
    r->drift_off = 0.0;
    if (!near) {
        memset(reach, 0, sizeof(double) * (size_t)n);
        return;
    }
    /* ln c falls by slope times the change of the ionic strength: one rank for all of them. */
    for (int s = 0; s < r->ns; s++) {
        double part = r->c[s] * r->kind_slope[r->kind[s]];
        q += 0.5 * part * r->z2[s];
        up += part * r->up[s], down += part * r->down[s], one += part * r->carbonic[s], two += part * r->other[s];
    }
    q = 1.0 / (q > 0.2 ? q : 1.0);
    r->drift_off = r->gap * q;
    for (int j = 0; j < n; j++) reach[j] *= q;
    for (int j = 0; j < n; j++) {
        double *row = r->jacobian + j * r->wide, off = drift[j];
        for (int k = 0; k < n; k++) row[k] -= off * reach[k];
        r->shift[j] -= off * r->drift_off;
    }
    for (int k = 0; k < n; k++) {
        r->gain[k] -= up * reach[k], r->lose[k] -= down * reach[k];
        r->carb[k] -= one * reach[k], r->oth[k] -= two * reach[k];
    }
    r->gain0 -= up * r->drift_off, r->lose0 -= down * r->drift_off;
    r->carb0 -= one * r->drift_off, r->oth0 -= two * r->drift_off;
}

/* --- strong: Pitzer ---------------------------------------------------------------------------------------------- */

/* The pairs, like ions and triples among the species of the row. */
static void pairs_of_row(Room *r) {
    const Model *m = r->m;
    int *of = r->acts; /* place of a species in the row, for now */
    for (int s = 0; s < m->S; s++) of[s] = -1;
    for (int s = 0; s < r->ns; s++) of[r->species[s]] = s;
    r->npairs = r->nlikes = r->ntriples = 0;
    for (int k = 0; k < m->pairs; k++) {
        int i = of[m->pair[2 * k]], j = of[m->pair[2 * k + 1]];
        if (i < 0 || j < 0) continue;
        int flat = 1;
        for (int t = 1; t < 6 && flat; t++)
            flat = m->beta0[6 * k + t] == 0.0 && m->beta1[6 * k + t] == 0.0 && m->beta2[6 * k + t] == 0.0 &&
                m->cphi[6 * k + t] == 0.0;
        r->pairs[r->npairs++] = (Pair){i, j, k, m->pair_alpha[k], flat,
                                       m->beta0[6 * k], m->beta1[6 * k], m->beta2[6 * k], m->cphi[6 * k]};
    }
    for (int k = 0; k < m->likes; k++) {
        int i = of[m->like[2 * k]], j = of[m->like[2 * k + 1]];
        if (i >= 0 && j >= 0) r->likes[r->nlikes++] = (Like){i, j, k, 0.0};
    }
    for (int k = 0; k < m->triples; k++) {
        int a = of[m->triple[3 * k]], b = of[m->triple[3 * k + 1]], c = of[m->triple[3 * k + 2]];
        if (a >= 0 && b >= 0 && c >= 0) r->triples[r->ntriples++] = (Triple){a, b, c, k, 0.0};
    }
    r->ncharges = 0;
    for (int i = 0; i < r->ns; i++) {
        int k = 0;
        while (k < r->ncharges && r->charges[k] != r->z[i]) k++;
        if (k == r->ncharges) r->charges[r->ncharges++] = r->z[i];
        r->charge_of[i] = k;
    }
}

static double along(const double *v, const double *basis) {
    double out = 0.0;
    for (int t = 0; t < 6; t++) out += v[t] * basis[t];
    return out;
}

static void strong_at(Room *r, double t) {
    const Model *m = r->m;
    if (t == r->known_strong && r->known_temperature == t) return;
    double R = REFERENCE_K;
    double basis[6] = {1.0, 1.0 / t - 1.0 / R, log(t / R), t - R, t * t - R * R, 1.0 / (t * t) - 1.0 / (R * R)};
    for (int p = 0; p < r->npairs; p++) {
        Pair *one = r->pairs + p;
        if (one->flat) continue;
        int k = one->k;
        one->b0 = along(m->beta0 + 6 * k, basis), one->b1 = along(m->beta1 + 6 * k, basis);
        one->b2 = along(m->beta2 + 6 * k, basis), one->c = along(m->cphi + 6 * k, basis);
    }
    for (int p = 0; p < r->nlikes; p++) r->likes[p].value = along(m->like_value + 6 * r->likes[p].k, basis);
    for (int p = 0; p < r->ntriples; p++) r->triples[p].value = along(m->triple_value + 6 * r->triples[p].row, basis);
    r->known_strong = r->known_temperature = t;
}

typedef struct { double g, first, second; } Shape;

/* Pitzer's g(alpha sqrt I) and what its first two derivatives come to by the ionic strength. */
static Shape shape_of(double alpha, double root, double strength) {
    double x = alpha * root, e, value, slope, bend;
    if (x < 1e-9) x = 1e-9;
    e = exp(-x);
    if (x < 1e-3) {
        value = 1.0 - 2.0 * x / 3.0, slope = -2.0 / 3.0, bend = 0.5;
    } else {
        value = 2.0 * (1.0 - (1.0 + x) * e) / (x * x);
        slope = 2.0 * (e - value) / x;
        bend = 2.0 * ((value - e) / x - e - slope) / x;
    }
    x = alpha * root;
    return (Shape){value, slope * x / (2.0 * strength), (bend * x - slope) * x / (4.0 * strength * strength)};
}

static void j_of(double x, double *value, double *slope) {
    if (x < 1e-12) x = 1e-12;
    double ln_x = log(x), root = exp(0.528 * ln_x);
    double bend = 4.581 * exp(-0.7237 * ln_x - 0.0120 * root), below = 4.0 + bend;
    *value = x / below;
    *slope = 1.0 / below - bend / (below * below) * (-0.7237 - 0.0120 * 0.528 * root);
}

/* What ions of one sign whose charges differ come to beyond others, by the strength and x of two single charges. */
static void apart_at(Room *r, double strength, double x) {
    double j[MOST_CHARGE * MOST_CHARGE + 1], slope[MOST_CHARGE * MOST_CHARGE + 1];
    for (int k = 0; k <= MOST_CHARGE * MOST_CHARGE; k++) slope[k] = -1.0; /* not looked at yet: it is never below 0 */
    for (int k = 0; k < r->ncharges; k++) for (int l = 0; l < r->ncharges; l++) {
        double one = r->charges[k], two = r->charges[l];
        r->apart[k][l] = r->apart1[k][l] = 0.0;
        if (one * two <= 0.0 || one == two) continue;
        int times[3] = {(int)(one * two), (int)(one * one), (int)(two * two)};
        for (int i = 0; i < 3; i++)
            if (slope[times[i]] == -1.0) j_of(x * times[i], j + times[i], slope + times[i]);
        int both = times[0], first = times[1], second = times[2];
        double e = both / (4.0 * strength) * (j[both] - 0.5 * j[first] - 0.5 * j[second]);
        r->apart[k][l] = e;
        r->apart1[k][l] = -e / strength + both / (8.0 * strength * strength) *
            (x * both * slope[both] - 0.5 * x * first * slope[first] - 0.5 * x * second * slope[second]);
    }
}

/* ln gamma of all species, ln of the water activity, and where `bends` the derivatives by the amounts that steer. */
HOT static void strong_gamma(Room *r, int bends) {
    int ns = r->ns, a = bends ? r->nsteer : 0;
    const int *steers = bends ? r->steers : r->nobody;
    double *m = r->mm, strength = 0.0, zsum = 0.0, total = 0.0;
    for (int s = 0; s < ns; s++) {
        int acts = r->c[s] > ACTS;
        m[s] = acts ? (r->c[s] < MOST ? r->c[s] : MOST) : 0.0;
        strength += m[s] * r->z2[s], zsum += m[s] * fabs(r->z[s]), total += m[s];
        r->lm[s] = r->l1m[s] = r->cm[s] = 0.0;
    }
    strength = 0.5 * strength > 1e-9 ? 0.5 * strength : 1e-9;
    double root = sqrt(strength), ap = r->a_phi, below = 1.0 + PITZER_B * root;
    double f = -4.0 * ap * strength / PITZER_B * log(below);
    double f1 = -2.0 * ap * (2.0 / PITZER_B * log(below) + root / below);
    double f2 = -2.0 * ap * (1.0 / (root * below) + 0.5 / (root * below * below));
    Shape two = shape_of(2.0, root, strength), low = shape_of(1.4, root, strength);
    Shape twelve = shape_of(12.0, root, strength), fifty = shape_of(50.0, root, strength);
    Shape first[3] = {two, low, two}, other[3] = {twelve, twelve, fifty};
    double *H = r->hessian, bend = f2;
    memset(H, 0, sizeof(double) * (size_t)(a * a));
    double lm = 0.0, l1m = 0.0, cm = 0.0;
    int of = -1;
    for (int p = 0; p < r->npairs; p++) {
        const Pair *one = r->pairs + p;
        int i = one->i, j = one->j;
        double mi = m[i], mj = m[j];
        Shape g = first[one->alpha];
        double b = one->b0 + one->b1 * g.g, b1 = one->b1 * g.first, b2 = one->b1 * g.second;
        if (one->b2 != 0.0) {
            Shape g2 = other[one->alpha];
            b += one->b2 * g2.g, b1 += one->b2 * g2.first, b2 += one->b2 * g2.second;
        }
        if (i != of) { /* pairs come by their first ion: its sums stay at hand */
            if (of >= 0) r->lm[of] += lm, r->l1m[of] += l1m, r->cm[of] += cm;
            of = i, lm = l1m = cm = 0.0;
        }
        lm += b * mj, l1m += b1 * mj, cm += one->c * mj;
        r->lm[j] += b * mi, r->l1m[j] += b1 * mi, r->cm[j] += one->c * mi;
        bend += 2.0 * mi * mj * b2;
        int si = steers[i], sj = steers[j];
        if (si >= 0 && sj >= 0) {
            double h = 2.0 * b + zsum * one->c;
            H[si * a + sj] += h, H[sj * a + si] += h;
        }
    }
    if (of >= 0) r->lm[of] += lm, r->l1m[of] += l1m, r->cm[of] += cm;
    for (int p = 0; p < r->nlikes; p++) {
        const Like *one = r->likes + p;
        int i = one->i, j = one->j;
        r->lm[i] += one->value * m[j];
        if (i != j) r->lm[j] += one->value * m[i];
        int si = steers[i], sj = steers[j];
        if (si >= 0 && sj >= 0) {
            H[si * a + sj] += 2.0 * one->value;
            if (i != j) H[sj * a + si] += 2.0 * one->value;
        }
    }
    double in_charge[MOST_CHARGES] = {0.0};
    for (int s = 0; s < ns; s++) in_charge[r->charge_of[s]] += m[s];
    apart_at(r, strength, 6.0 * ap * root);
    double by_charge[MOST_CHARGES], by_charge1[MOST_CHARGES];
    for (int k = 0; k < r->ncharges; k++) {
        by_charge[k] = by_charge1[k] = 0.0;
        for (int l = 0; l < r->ncharges; l++)
            by_charge[k] += r->apart[k][l] * in_charge[l], by_charge1[k] += r->apart1[k][l] * in_charge[l];
    }
    for (int s = 0; s < ns; s++) r->lm[s] += by_charge[r->charge_of[s]], r->l1m[s] += by_charge1[r->charge_of[s]];
    double mlm = 0.0, ml1m = 0.0, mcm = 0.0;
    for (int s = 0; s < ns; s++) mlm += m[s] * r->lm[s], ml1m += m[s] * r->l1m[s], mcm += m[s] * r->cm[s];
    for (int s = 0; s < ns; s++)
        r->ln_gamma[s] = 0.5 * (f1 + ml1m) * r->z2[s] + 2.0 * r->lm[s] + zsum * r->cm[s] + 0.5 * mcm * fabs(r->z[s]);
    double energy = f + mlm + 0.5 * zsum * mcm;
    for (int p = 0; p < r->ntriples; p++) {
        const Triple *one = r->triples + p;
        int i = one->i, j = one->j, k = one->k;
        double v = one->value;
        r->ln_gamma[i] += v * m[j] * m[k], r->ln_gamma[j] += v * m[i] * m[k], r->ln_gamma[k] += v * m[i] * m[j];
        energy += v * m[i] * m[j] * m[k];
        int si = steers[i], sj = steers[j], sk = steers[k];
        if (si >= 0 && sj >= 0) H[si * a + sj] += v * m[k], H[sj * a + si] += v * m[k];
        if (si >= 0 && sk >= 0) H[si * a + sk] += v * m[j], H[sk * a + si] += v * m[j];
        if (sj >= 0 && sk >= 0) H[sj * a + sk] += v * m[i], H[sk * a + sj] += v * m[i];
    }
    double mg = 0.0;
    for (int s = 0; s < ns; s++) mg += m[s] * r->ln_gamma[s];
    r->ln_aw = WATER_KG_PER_MOL * (energy - mg - total);
    for (int x = 0; x < a; x++) {
        int s = r->steering[x];
        double zs = fabs(r->z[s]);
        const double *apart = r->apart[r->charge_of[s]];
        for (int y = 0; y < a; y++) {
            int t = r->steering[y];
            double zt = fabs(r->z[t]);
            H[x * a + y] += r->z2[s] * (0.25 * bend * r->z2[t] + r->l1m[t]) + r->l1m[s] * r->z2[t] + zs * r->cm[t] +
                r->cm[s] * zt + 2.0 * apart[r->charge_of[t]];
        }
    }
}

/* From now on a species' amount is answered within the step. */
static void steer(Room *r, int s) {
    r->steers[s] = r->nsteer, r->steering[r->nsteer++] = s;
    for (int e = r->start[s]; e < r->start[s + 1]; e++) {
        int j = r->place[e];
        if (r->column_of[j] < 0) r->column_of[j] = r->ncolumns, r->columns[r->ncolumns++] = j;
    }
    r->stride = PADDED(r->ncolumns + 1);
}

/* Amounts, activity coefficients and how far each amount is off, and how the amounts that steer answer a step. */
HOT static int strong_amounts(Room *r, double *worst) {
    int n = r->n, ns = r->ns;
    for (int s = 0; s < ns; s++) {
        r->c[s] = exp(clip(r->u[s], LEAST_LN, MOST_LN));
        if (r->c[s] > STEERS && r->steers[s] < 0 && r->nsteer < MOST_STEER) steer(r, s);
    }
    strong_gamma(r, 1);
    *worst = 0.0;
    for (int s = 0; s < ns; s++) {
        double off = r->u[s] + r->ln_gamma[s] - r->ln_k[s] - r->ln_aw * r->water[s];
        for (int e = r->start[s]; e < r->start[s + 1]; e++) off -= r->count[e] * r->lam[r->place[e]];
        r->off[s] = off;
        if (r->c[s] > ACTS && fabs(off) > *worst) *worst = fabs(off);
    }
    int a = r->nsteer, wide = PADDED(a), columns = r->ncolumns, stride = r->stride;
    double aw[MOST_STEER], there[MOST_STEER];
    for (int y = 0; y < a; y++) there[y] = r->c[r->steering[y]], aw[y] = 0.0;
    for (int x = 0; x < a; x++) for (int y = 0; y < a; y++) aw[y] += there[x] * r->hessian[x * a + y];
    for (int y = 0; y < a; y++) aw[y] = -WATER_KG_PER_MOL * (1.0 + aw[y]);
    memset(r->right, 0, sizeof(double) * (size_t)(a * stride));
    for (int x = 0; x < a; x++) {
        int s = r->steering[x];
        double *inner = r->inner + x * wide, *row = r->right + x * stride, wet = r->water[s];
        for (int y = 0; y < a; y++) inner[y] = (r->hessian[x * a + y] - wet * aw[y]) * there[y];
        for (int y = a; y < wide; y++) inner[y] = 0.0;
        inner[x] += 1.0;
        for (int e = r->start[s]; e < r->start[s + 1]; e++) row[r->column_of[r->place[e]]] = r->count[e];
        row[columns] = -r->off[s];
    }
    if (!solve_many(r->inner, r->right, a, columns + 1)) return 0;
    memset(r->qc, 0, sizeof(double) * (size_t)stride);
    memset(r->q, 0, sizeof(double) * (size_t)n);
    for (int y = 0; y < a; y++) {
        double part = aw[y] * there[y];
        for (int k = 0; k < stride; k++) r->qc[k] += part * r->right[y * stride + k];
    }
    for (int k = 0; k < columns; k++) r->q[r->columns[k]] = r->qc[k];
    r->q0 = r->qc[columns];
    return 1;
}

/* A share of a species whose ln c answers as this: into the sums by master and those of protons and alkalinity. */
WITHIN void answer_sums(Room *r, int s, double share, const double *answer, int alkalinity) {
    int n = r->n, stride = r->stride;
    double c = share * r->c[s], also[4] = {c * r->up[s], c * r->down[s], c * r->carbonic[s], c * r->other[s]};
    for (int e = r->start[s]; e < r->start[s + 1]; e++) {
        double part = c * r->count[e], *row = r->answers + r->place[e] * stride;
        for (int k = 0; k < stride; k++) row[k] += part * answer[k];
    }
    for (int i = 0; i < (alkalinity ? 4 : 2); i++) {
        double *row = r->answers + (n + i) * stride;
        if (also[i] != 0.0) for (int k = 0; k < stride; k++) row[k] += also[i] * answer[k];
    }
}

HOT static void strong_sums(Room *r, int alkalinity) {
    int n = r->n, stride = r->stride, columns = r->ncolumns;
    for (int s = 0; s < r->ns; s++) if (r->steers[s] < 0) plain_sums(r, s, alkalinity);
    mirror(r);
    memset(r->answers, 0, sizeof(double) * (size_t)((n + 4) * stride));
    for (int s = 0; s < r->ns; s++) {
        if (r->steers[s] >= 0) {
            for (int e = r->start[s]; e < r->start[s + 1]; e++) r->sum[r->place[e]] += r->c[s] * r->count[e];
            r->gained += r->c[s] * r->up[s], r->lost += r->c[s] * r->down[s];
            r->carb_sum += r->c[s] * r->carbonic[s], r->oth_sum += r->c[s] * r->other[s];
            answer_sums(r, s, 1.0, r->right + r->steers[s] * stride, alkalinity);
        } else {
            if (r->water[s] != 0.0) answer_sums(r, s, r->water[s], r->qc, alkalinity);
            double without = -r->off[s] * r->c[s];
            for (int e = r->start[s]; e < r->start[s + 1]; e++) r->shift[r->place[e]] += without * r->count[e];
            r->gain0 += without * r->up[s], r->lose0 += without * r->down[s];
            r->carb0 += without * r->carbonic[s], r->oth0 += without * r->other[s];
        }
    }
    const double *gain = r->answers + n * stride, *lose = gain + stride, *carb = lose + stride, *oth = carb + stride;
    for (int j = 0; j < n; j++) {
        const double *row = r->answers + j * stride;
        for (int k = 0; k < columns; k++) r->jacobian[j * r->wide + r->columns[k]] += row[k];
        r->shift[j] += row[columns];
    }
    for (int k = 0; k < columns; k++) {
        int j = r->columns[k];
        r->gain[j] += gain[k], r->lose[j] += lose[k], r->carb[j] += carb[k], r->oth[j] += oth[k];
    }
    r->gain0 += gain[columns], r->lose0 += lose[columns], r->carb0 += carb[columns], r->oth0 += oth[columns];
}

/* --- Newton's iteration ------------------------------------------------------------------------------------------ */

typedef struct { double ph, alkalinity, ln_co2; int flags; } Held;

static void add_worst(Room *r) {
    int worst = -1;
    double most = -INFINITY;
    for (int p = 0; p < r->np; p++) {
        if (r->there[p]) continue;
        double size = 0.0;
        for (int j = 0; j < r->n; j++) size += fabs(r->pnu[p * r->n + j]);
        double per_ion = r->over[p] / (size > 1.0 ? size : 1.0);
        if (per_ion > most) most = per_ion, worst = p;
    }
    if (worst >= 0) r->there[worst] = 1;
}

/* The interior point's step: amounts and undersaturations stay above nothing. Whether it is at its end. */
static int interior_step(Room *r, int done, double *alpha) {
    double room = INFINITY, now = 0.0;
    for (int p = 0; p < r->np; p++) {
        double x = r->x[p], under = r->under[p], pulled = 0.0;
        for (int k = 0; k < r->n; k++) pulled += r->nu_step[p * r->n + k] * r->step[k];
        double dunder = -pulled - r->moved[p], dx = (r->narrow * r->cap[p] - x * under - x * dunder) / under;
        if (dx < 0.0 && -x / dx < room) room = -x / dx;
        if (dunder < 0.0 && -under / dunder < room) room = -under / dunder;
        if (!(x * under / r->cap[p] < 1e-10) || !(fabs(under + r->over[p]) < 1e-9)) done = 0;
        r->dx[p] = dx, r->dunder[p] = dunder;
    }
    if (0.98 * room < *alpha) *alpha = 0.98 * room;
    if (done) *alpha = 0.0; /* what was tested is what is kept */
    for (int p = 0; p < r->np; p++) {
        r->x[p] += *alpha * r->dx[p], r->under[p] += *alpha * r->dunder[p];
        now += r->x[p] * r->under[p] / r->cap[p] / r->np;
    }
    r->narrow = clip(now * (*alpha > 0.9 ? 0.1 : *alpha > 0.5 ? 0.4 : 0.7), 1e-12, 1.0);
    return done;
}

/* One phase of the search: strong or dilute; solids: 0 without, GUESSED which are there, or by an INTERIOR point.
 * Whether it came to an end. */
HOT static int iterate(Room *r, Water w, Held held, int strong, int solids, int limit) {
    int n = r->n, wide = r->wide, h = r->h, np = solids ? r->np : 0, alkalinity = held.flags & HOLD_ALKALINITY;
    int exact = solids || strong;
    double worst_off = 0.0, before_off = 1e-300;
    for (int round_ = 0; round_ < limit; round_++) {
        if (strong) {
            if (!strong_amounts(r, &worst_off)) return 0;
        } else {
            dilute_amounts(r, w);
        }
        if (!isfinite(r->ln_aw)) return 0;
        double left = 1.0, dry = 0.0;
        if (np && strong) {
            for (int p = 0; p < np; p++) dry += r->x[p] * r->pwater[p];
            left = 1.0 - WATER_KG_PER_MOL * dry;
            if (left < LEAST_WATER_LEFT) left = LEAST_WATER_LEFT;
        }
        clear_sums(r);
        if (strong)
            strong_sums(r, alkalinity);
        else
            dilute_sums(r, alkalinity);
        if (left != 1.0) {
            for (int i = 0; i < n * wide; i++) r->jacobian[i] *= left;
            for (int j = 0; j < n; j++) r->sum[j] *= left, r->shift[j] *= left, r->gain[j] *= left, r->lose[j] *= left;
            r->gained *= left, r->lost *= left, r->gain0 *= left, r->lose0 *= left;
        }
        /* Mass balances, logarithmic; the proton balance as gained against lost. */
        double gained = r->gained, lost = r->lost, *safe = r->a, most = 0.0;
        for (int j = 0; j < n; j++) {
            safe[j] = r->sum[j];
            for (int p = 0; p < np; p++) safe[j] += r->x[p] * r->pnu[p * n + j];
            if (!(safe[j] > 1e-300)) safe[j] = 1e-300;
            r->residual[j] = log(safe[j]) - r->ln_total[j];
        }
        for (int p = 0; p < np; p++) gained += r->x[p] * r->pup[p], lost += r->x[p] * r->pdown[p];
        gained += r->total[h] < 0.0 ? -r->total[h] : 0.0, lost += r->total[h] > 0.0 ? r->total[h] : 0.0;
        if (!(gained > 1e-300)) gained = 1e-300;
        if (!(lost > 1e-300)) lost = 1e-300;
        r->residual[h] = log(gained) - log(lost);
        double have = r->carb_sum > 1e-300 ? r->carb_sum : 1e-300, need = 1.0;
        int short_ = 0;
        if (alkalinity) {
            short_ = held.alkalinity - r->oth_sum < 1e-9;
            need = short_ ? 1e-9 : held.alkalinity - r->oth_sum;
            r->residual[r->co3] = log(have) - log(need);
        }
        if (held.flags & HOLD_GAS) {
            double off = r->gas_water * r->ln_aw - r->gas_ln_k - held.ln_co2;
            for (int j = 0; j < n; j++) off += r->gas_nu[j] * r->lam[j];
            r->residual[r->co3] = off;
        }
        if (held.flags & HOLD_PH) r->residual[h] = 0.0;
        for (int j = 0; j < n; j++) if (fabs(r->residual[j]) > most || isnan(r->residual[j])) most = fabs(r->residual[j]);
        if (!strong) strength_answers(r, most < 1.0);
        double up_share = 1.0 / gained, down_share = 1.0 / lost;
        for (int j = 0; j < n; j++) {
            double share = 1.0 / safe[j];
            for (int k = 0; k < wide; k++) r->jacobian[j * wide + k] *= share;
            r->shift[j] *= share;
        }
        for (int k = 0; k < n; k++) r->jacobian[h * wide + k] = r->gain[k] * up_share - r->lose[k] * down_share;
        r->shift[h] = r->gain0 * up_share - r->lose0 * down_share;
        /* A solid's amount answers its saturation; substituting it keeps the system n by n. */
        for (int p = 0; p < np; p++) {
            double over = strong || r->pwater[p] != 0.0 ? r->ln_aw * r->pwater[p] : 0.0, drift = 0.0;
            const double *pnu = r->pnu + p * n;
            double *nu_step = r->nu_step + p * n;
            over -= r->pln_k[p];
            for (int j = 0; j < n; j++) {
                over += r->lam[j] * pnu[j];
                nu_step[j] = strong ? pnu[j] + r->pwater[p] * r->q[j] : pnu[j];
            }
            if (strong) drift = r->pwater[p] * r->q0;
            r->over[p] = over;
            if (solids == INTERIOR) {
                double x = r->x[p], under = r->under[p];
                r->moved[p] = under + over + drift;
                r->stiff[p] = x / under;
                r->push[p] = (r->narrow * r->cap[p] - x * under + x * r->moved[p]) / under;
            } else {
                r->stiff[p] = r->there[p] ? STEEP * r->cap[p] : 0.0;
                r->push[p] = r->stiff[p] * (over + drift);
            }
            if (r->stiff[p] == 0.0) continue;
            double thirst = strong ? WATER_KG_PER_MOL / left * r->pwater[p] : 0.0;
            for (int j = 0; j < n; j++) {
                double scaled = j == h ? (r->pup[p] - thirst * r->gained) * up_share - (r->pdown[p] - thirst * r->lost) * down_share
                                       : clip((pnu[j] - thirst * r->sum[j]) / safe[j], -1e100, 1e100);
                if (scaled == 0.0) continue;
                double part = r->stiff[p] * scaled;
                for (int k = 0; k < n; k++) r->jacobian[j * wide + k] += part * nu_step[k];
                r->shift[j] += r->push[p] * scaled;
            }
        }
        if (alkalinity) {
            double pull = short_ ? 0.0 : 1.0 / need;
            for (int k = 0; k < n; k++) r->jacobian[r->co3 * wide + k] = r->carb[k] / have + pull * r->oth[k];
            r->shift[r->co3] = r->carb0 / have + pull * r->oth0;
        }
        if (held.flags & HOLD_GAS) {
            for (int k = 0; k < n; k++) r->jacobian[r->co3 * wide + k] = r->gas_nu[k] + (strong ? r->gas_water * r->q[k] : 0.0);
            r->shift[r->co3] = strong ? r->gas_water * r->q0 : 0.0;
        }
        if (held.flags & HOLD_PH) {
            for (int k = 0; k < n; k++) r->jacobian[h * wide + k] = k == h;
            r->shift[h] = 0.0;
        }
        for (int j = 0; j < n; j++) r->jacobian[j * wide + j] += 1e-13, r->step[j] = -(r->residual[j] + r->shift[j]);
        if (!solve_one(r->jacobian, r->step, n)) return 0;
        double biggest = 0.0;
        for (int j = 0; j < n; j++) if (fabs(r->step[j]) > biggest || isnan(r->step[j])) biggest = fabs(r->step[j]);
        if (!isfinite(biggest) || !isfinite(most)) return 0;
        /* Late rounds take shorter steps: what has not converged by then is going round in a circle. */
        double longest = round_ < 40 || round_ % 3 ? 1.0 : 0.3;
        double alpha = biggest > 0.0 && MAX_STEP / biggest < longest ? MAX_STEP / biggest : longest;
        int done, last = 0;
        if (strong) {
            double reach = 0.0, wet = 0.0;
            memset(r->stepc, 0, sizeof(double) * (size_t)r->stride);
            for (int k = 0; k < r->ncolumns; k++) r->stepc[k] = r->step[r->columns[k]];
            r->stepc[r->ncolumns] = 1.0;
            for (int k = 0; k < r->stride; k++) wet += r->qc[k] * r->stepc[k];
            for (int s = 0; s < r->ns; s++) {
                double du = 0.0;
                if (r->steers[s] >= 0) {
                    const double *answer = r->right + r->steers[s] * r->stride;
                    for (int k = 0; k < r->stride; k++) du += answer[k] * r->stepc[k];
                } else {
                    du = r->water[s] * wet - r->off[s];
                    for (int e = r->start[s]; e < r->start[s + 1]; e++) du += r->count[e] * r->step[r->place[e]];
                }
                r->du[s] = du;
                /* Amounts that fall may fall far: what is left of them acts on nothing. */
                if (r->c[s] > (du > 0.0 ? RISES : FALLS) && fabs(du) > reach) reach = fabs(du);
            }
            if (reach * alpha > LONGEST) alpha = LONGEST / reach;
            done = most < TOLERANCE && worst_off < TOLERANCE;
            /* What is left after this step: its square, and a share, as of the step before, by what does not steer. */
            double left_off = worst_off * clip(worst_off / before_off, LEAST_SHARE, 1.0);
            last = alpha == 1.0 && left_off < STRONG_NEARLY && fmax(fmax(most, biggest), reach) < SQUARES_AWAY;
            before_off = worst_off;
        } else {
            r->change = r->drift_off;
            for (int k = 0; k < n; k++) r->change += r->reach[k] * r->step[k];
            if (fabs(r->change) * alpha > 2.0 * r->strength + 0.02) alpha = (2.0 * r->strength + 0.02) / fabs(r->change);
            double tolerance = exact ? 1e-10 : NEARLY;
            done = most < (exact ? TOLERANCE : NEARLY) && fabs(r->gap) < tolerance * (r->strength + 1e-6);
            last = most < NEARLY && fabs(r->gap) < NEARLY * (r->strength + 1e-6) && biggest < 100.0 * NEARLY && alpha == 1.0;
            if (!exact) done = last;
            if (r->m->pitzer) done = most < ROUGHLY && fabs(r->gap) < ROUGHLY * (r->strength + 1e-6);
        }
        int at_rest = done || (last && !np);
        if (np && solids == INTERIOR) {
            at_rest = done = interior_step(r, done, &alpha);
        } else if (np) {
            int missing = 0, negative = 0;
            double farthest = 0.0, most_over = -INFINITY;
            for (int p = 0; p < np; p++) {
                if (r->there[p] && fabs(r->over[p]) > farthest) farthest = fabs(r->over[p]);
                if (!r->there[p] && r->over[p] > most_over) most_over = r->over[p];
            }
            done = done && farthest < SATURATED;
            last = last && !done && farthest < NEARLY && most_over < -NEARLY;
            for (int p = 0; p < np; p++) {
                double dx = r->push[p];
                for (int k = 0; k < n; k++) dx += r->stiff[p] * r->nu_step[p * n + k] * r->step[k];
                double x = r->x[p] + (done ? 0.0 : alpha) * dx;
                int gone = x < 0.0 && r->over[p] < 0.0;
                if (gone) r->there[p] = 0;
                r->x[p] = gone ? 0.0 : x;
                missing = missing || (!r->there[p] && r->over[p] > SATURATED);
                negative = negative || x < 0.0;
            }
            /* The next one is not waited for where it is plain that it forms beside those that are there. */
            if (missing && (done || (most < SETTLED && farthest < SETTLED && most_over > 2.0 * SETTLED))) add_worst(r);
            at_rest = (done || last) && !missing && !negative;
            if (done) alpha = 0.0; /* what was tested is what is kept */
        }
        for (int j = 0; j < n; j++) {
            double lam = r->lam[j] + alpha * r->step[j];
            r->lam[j] = lam > LN_TINY ? lam : LN_TINY;
        }
        if (strong) {
            for (int s = 0; s < r->ns; s++) r->u[s] = clip(r->u[s] + alpha * r->du[s], LEAST_LN, 4.0);
        } else {
            r->strength = clip(r->strength + alpha * r->change, 1e-10, 60.0);
        }
        if (at_rest) return 1;
    }
    return 0;
}

/* --- a row from beginning to end --------------------------------------------------------------------------------- */

static void constants_at(Room *r, double t, double a_dh, int held) {
    const Model *m = r->m;
    double span = (1.0 / REFERENCE_K - 1.0 / t) / GAS_CONSTANT;
    for (int s = 0; s < r->ns && r->known_k != t; s++) {
        r->ln_k[s] = m->ln_k[r->species[s]] + span * m->delta_h[r->species[s]];
        r->k[s] = exp(r->ln_k[s]);
    }
    r->known_k = t;
    r->a_phi = a_dh * LN10 / 3.0;
    phases_at(r, t);
    if (held & HOLD_GAS) r->gas_ln_k = r->at_ln_k[m->gas], r->gas_water = m->phase_water[m->gas];
}

static int sane(const Model *m, double ln_aw) {
    double aw = exp(ln_aw);
    return !m->pitzer || (aw > 0.03 && aw < 1.0005);
}

/* Ionic strength of the totals as if all of them were free. */
static double weight_of(const Room *r) {
    double weight = 0.0;
    for (int j = 0; j < r->n; j++) {
        double there = r->total[j] > TINY ? r->total[j] : TINY, z = r->m->charge[r->masters[j]];
        weight += 0.5 * there * z * z;
    }
    return weight;
}

/* The solution that is like the row, each master moved as its total is another; 0 where there is none or it lacks one. */
static int begin_near(Room *r, Held held) {
    const Model *m = r->m;
    int n = r->n, gas = held.flags & HOLD_GAS;
    if (r->start_totals == NULL || held.flags & (HOLD_PH | HOLD_ALKALINITY)) return 0;
    double *moved = r->step, most = 0.0;
    for (int j = 0; j < n; j++) {
        double before = r->start_totals[r->masters[j]];
        r->lam[j] = r->start_lam[r->masters[j]];
        if (!isfinite(r->lam[j])) return 0;
        moved[j] = 0.0;
        if (j == r->h || (gas && j == r->co3)) continue;
        if (!(before > 0.0)) return 0;
        moved[j] = r->ln_total[j] - log(before);
        r->lam[j] += moved[j];
        if (moved[j] > most) most = moved[j];
    }
    if (gas) {
        double carbonate = r->gas_ln_k + held.ln_co2 - r->gas_nu[r->h] * r->lam[r->h];
        moved[r->co3] = carbonate - r->lam[r->co3], r->lam[r->co3] = carbonate;
    }
    r->strength = clip(r->start_strength * exp(most), 1e-10, 60.0);
    if (!m->pitzer) return 1;
    for (int s = 0; s < r->ns; s++) {
        double there = r->start_molality[r->species[s]], u = log(there > 1e-99 ? there : 1e-99);
        for (int e = r->start[s]; e < r->start[s + 1]; e++) u += r->count[e] * moved[r->place[e]];
        r->u[s] = clip(u, LEAST_LN, 4.0);
    }
    return 1;
}

/* Totals scaled towards, from a first guess: the free ion can be a tiny part of its total. */
static void begin(Room *r, Water w, Held held) {
    int n = r->n;
    double strength = weight_of(r);
    for (int j = 0; j < n; j++) r->lam[j] = r->ln_total[j] - 0.3;
    r->lam[r->h] = -6.8 * LN10;
    r->strength = (strength < 1.0 ? strength : 1.0) + 1e-4;
    if (held.flags & HOLD_PH) r->lam[r->h] = -held.ph * LN10;
    double *goal = r->shift;
    for (int j = 0; j < n; j++) goal[j] = r->ln_total[j];
    if (held.flags & HOLD_GAS) {
        goal[r->co3] = log(1e-3);
        r->lam[r->co3] = r->gas_ln_k + held.ln_co2 - r->gas_nu[r->h] * r->lam[r->h];
    }
    dilute_gamma(r, w, r->strength);
    inverse_gamma(r);
    double *most = r->reach;
    for (int j = 0; j < n; j++) most[j] = 1.0;
    for (int e = 0; e < r->start[r->ns]; e++) if (r->count[e] > most[r->place[e]]) most[r->place[e]] = r->count[e];
    for (int round_ = 0; round_ < APPROACHES; round_++) {
        memset(r->sum, 0, sizeof(double) * (size_t)n);
        activities(r);
        for (int s = 0; s < r->ns; s++) {
            double c = product(r, s);
            c = c < 1e80 ? c : 1e80;
            for (int e = r->start[s]; e < r->start[s + 1]; e++) r->sum[r->place[e]] += c * r->count[e];
        }
        for (int j = 0; j < n; j++)
            if (j != r->h) r->lam[j] -= (log(r->sum[j] > 1e-300 ? r->sum[j] : 1e-300) - goal[j]) / most[j];
    }
    for (int j = 0; j < n; j++) if (r->lam[j] < LN_TINY) r->lam[j] = LN_TINY;
}

/* Pitzer: nothing steers until its amount is looked at. */
static void none_steers(Room *r) {
    r->nsteer = r->ncolumns = 0, r->stride = PADDED(1);
    for (int s = 0; s < r->ns; s++) r->steers[s] = -1;
    for (int j = 0; j < r->n; j++) r->column_of[j] = -1;
}

/* Solution without solids. */
static int dissolve(Room *r, const double *total, double t, Water w, Held held) {
    const Model *m = r->m;
    gather(r, total, held.flags);
    constants_at(r, t, w.a, held.flags);
    if (m->pitzer) strong_at(r, t);
    if (begin_near(r, held)) {
        if (m->pitzer) none_steers(r);
        if (iterate(r, w, held, m->pitzer, 0, NEAR_ROUNDS) && sane(m, r->ln_aw)) return 1;
    }
    begin(r, w, held);
    int fine = iterate(r, w, held, 0, 0, DILUTE_ROUNDS);
    if (!m->pitzer) return fine;
    dilute_amounts(r, w);
    none_steers(r);
    for (int s = 0; s < r->ns; s++) r->u[s] = log(r->c[s] > 1e-99 ? r->c[s] : 1e-99);
    return iterate(r, w, held, 1, 0, STRONG_ROUNDS);
}

typedef struct { double *totals, *molality, *ln_activity, *ln_aw, *strength, *index, *solid; int *converged; } Out;

static int possible_phase(const Room *r, int phase) {
    const double *nu = r->m->phase_nu + (size_t)phase * r->m->N;
    for (int j = 0; j < r->m->N; j++) if (nu[j] != 0.0 && r->of_master[j] < 0) return 0;
    return 1;
}

/* The row's results as they stand. lacks: masters of which there was nothing to begin with. */
static void collect(Room *r, Water w, Held held, const double *total, Out *out, size_t row) {
    const Model *m = r->m;
    int N = m->N, S = m->S, P = m->P;
    if (!m->pitzer) {
        dilute_amounts(r, w);
    } else {
        for (int s = 0; s < r->ns; s++) r->c[s] = exp(clip(r->u[s], LEAST_LN, MOST_LN));
        strong_gamma(r, 0);
    }
    double *molality = out->molality + row * (size_t)S, *lam = out->ln_activity + row * (size_t)N;
    double *totals = out->totals + row * (size_t)N, *index = out->index + row * (size_t)P, charged = 0.0;
    memset(molality, 0, sizeof(double) * (size_t)S);
    for (int j = 0; j < N; j++) lam[j] = -INFINITY, totals[j] = total[j];
    for (int j = 0; j < r->n; j++) lam[r->masters[j]] = r->lam[j];
    for (int s = 0; s < r->ns; s++) molality[r->species[s]] = r->c[s], charged += r->c[s] * r->z2[s];
    out->strength[row] = 0.5 * charged;
    out->ln_aw[row] = r->ln_aw;
    for (int p = 0; p < P; p++) index[p] = -INFINITY;
    for (int i = 0; i < r->nphases; i++) {
        int p = r->made[i];
        double over = r->ln_aw * m->phase_water[p] - r->at_ln_k[p];
        for (int e = r->made_start[i]; e < r->made_start[i + 1]; e++) over += r->made_count[e] * r->lam[r->made_place[e]];
        index[p] = over / LN10;
    }
    if (held.flags & HOLD_PH) {
        for (int j = 0; j < r->n; j++) totals[r->masters[j]] = 0.0;
        for (int s = 0; s < r->ns; s++)
            for (int e = r->start[s]; e < r->start[s + 1]; e++) totals[r->masters[r->place[e]]] += r->c[s] * r->count[e];
    }
    if (held.flags & HOLD_GAS) {
        double carbonate = 0.0;
        for (int s = 0; s < r->ns; s++)
            for (int e = r->start[s]; e < r->start[s + 1]; e++) if (r->place[e] == r->co3) carbonate += r->c[s] * r->count[e];
        for (int p = 0; p < r->np; p++) carbonate += r->x[p] * r->pnu[p * r->n + r->co3];
        totals[m->co3] = carbonate;
        totals[m->h] += 2.0 * carbonate;
    }
}

/* What must settle of salts that are far over their solubility, the furthest first; whether anything. */
static int settle_ahead(const Room *r, const int *wanted, int count, const double *total, double *ahead, double *left) {
    const Model *m = r->m;
    int any = 0;
    memcpy(left, total, sizeof(double) * (size_t)m->N);
    memset(ahead, 0, sizeof(double) * (size_t)m->P);
    for (int round_ = 0; round_ < m->curves; round_++) {
        int worst = -1;
        double furthest = FAR_OVER, most_of = 0.0, full = 0.0;
        for (int i = 0; i < m->curves; i++) {
            int phase = m->curve_of[i], asked = 0;
            const double *nu = m->phase_nu + (size_t)phase * m->N;
            double most = INFINITY, there = r->at_saturated[i];
            for (int j = 0; j < m->N && most > 0.0; j++)
                if (nu[j] > 0.0 && j != m->h && left[j] / nu[j] < most) most = left[j] / nu[j];
            if (!(most / there > furthest)) continue;
            for (int k = 0; k < count && !asked; k++) asked = wanted[k] == phase;
            if (asked) furthest = most / there, worst = i, most_of = most, full = there;
        }
        if (worst < 0) break;
        int phase = m->curve_of[worst];
        double crystal = WATER_KG_PER_MOL * m->phase_water[phase] * full;
        crystal = crystal < 0.0 ? 0.0 : crystal > 0.9 ? 0.9 : crystal;
        double x = clip((most_of - full) / (1.0 - crystal), 0.0, 0.98 * most_of);
        ahead[phase] += x;
        for (int j = 0; j < m->N; j++) left[j] -= x * m->phase_nu[(size_t)phase * m->N + j];
        any = 1;
    }
    return any;
}

/* The solids that may form, down to a saturation index each, with what there is of them; all of those that are wanted,
 * or only what is near. */
static void lay_solids(Room *r, const int *wanted, const double *down_to, int count, Held held,
                       const double *brought, const double *index, const double *ahead, int all) {
    const Model *m = r->m;
    int n = r->n;
    r->np = 0;
    for (int k = 0; k < count; k++) {
        int phase = wanted[k];
        if (!possible_phase(r, phase)) continue;
        double down = down_to ? down_to[k] : 0.0;
        if (!all && index[phase] < down + FAR_BELOW_SI && ahead[phase] == 0.0) continue;
        int p = r->np++;
        const double *nu = m->phase_nu + (size_t)phase * m->N;
        r->phases[p] = phase;
        r->pwater[p] = m->phase_water[phase];
        r->pln_k[p] = r->at_ln_k[phase] + LN10 * down;
        double protons_ = protons(r, nu, held.flags);
        r->pup[p] = protons_ > 0.0 ? protons_ : 0.0, r->pdown[p] = protons_ < 0.0 ? -protons_ : 0.0;
        r->x[p] = ahead[phase];
        r->there[p] = r->x[p] > 0.0;
        double cap = MOST_OF_A_SOLID;
        r->over[p] = r->ln_aw * r->pwater[p] - r->pln_k[p];
        for (int j = 0; j < n; j++) {
            double one = nu[r->masters[j]];
            r->pnu[p * n + j] = one;
            r->over[p] += one * r->lam[j];
            if (one > 0.0 && j != r->h) {
                double there = brought[r->masters[j]] > TINY ? brought[r->masters[j]] : TINY;
                if (there / one < cap) cap = there / one;
            }
        }
        r->cap[p] = cap;
    }
    int any = 0;
    for (int p = 0; p < r->np; p++) any = any || r->there[p];
    if (!any) add_worst(r);
}

static void same_as_before(const Model *m, const Out *before, Out *after, size_t row) {
    size_t N = (size_t)m->N, S = (size_t)m->S, P = (size_t)m->P;
    memcpy(after->totals + row * N, before->totals + row * N, sizeof(double) * N);
    memcpy(after->molality + row * S, before->molality + row * S, sizeof(double) * S);
    memcpy(after->ln_activity + row * N, before->ln_activity + row * N, sizeof(double) * N);
    memcpy(after->index + row * P, before->index + row * P, sizeof(double) * P);
    after->ln_aw[row] = before->ln_aw[row], after->strength[row] = before->strength[row];
    after->converged[row] = before->converged[row];
}

static int leaves_water(const Room *r) {
    double taken = 0.0;
    for (int p = 0; p < r->np; p++) taken += r->x[p] * r->pwater[p];
    return 1.0 - WATER_KG_PER_MOL * taken > LEAST_WATER_LEFT;
}

static void keep_solids(const Room *r, Out *after, size_t row) {
    double *solid = after->solid + row * (size_t)r->m->P;
    memset(solid, 0, sizeof(double) * (size_t)r->m->P);
    for (int p = 0; p < r->np; p++) solid[r->phases[p]] = r->x[p];
}

static void one_row(Room *r, const double *total, double t, Water w, Held held, const int *wanted,
                    const double *down_to, int count, Out *before, Out *after, size_t row, double *ahead,
                    double *less) {
    const Model *m = r->m;
    r->np = 0;
    int fine = dissolve(r, total, t, w, held) && sane(m, r->ln_aw);
    collect(r, w, held, total, before, row);
    before->converged[row] = fine;
    if (fine) { /* whatever is looked at again starts from there */
        r->start_totals = total, r->start_strength = before->strength[row];
        r->start_lam = before->ln_activity + row * (size_t)m->N, r->start_molality = before->molality + row * (size_t)m->S;
    }
    if (count == 0) return;
    const double *index = before->index + row * (size_t)m->P, *brought = before->totals + row * (size_t)m->N;
    int far = settle_ahead(r, wanted, count, total, ahead, less), over = 0;
    for (int k = 0; k < count; k++) over = over || index[wanted[k]] > (down_to ? down_to[k] : 0.0) + 1e-9;
    if (!(over && fine) && !far) {
        same_as_before(m, before, after, row);
        return;
    }
    for (int all = far; all < 2; all++) {
        if (far) dissolve(r, less, t, w, held);
        else if (all) dissolve(r, total, t, w, held);
        gather(r, total, held.flags); /* the same masters: nothing settles wholly */
        lay_solids(r, wanted, down_to, count, held, brought, index, ahead, all);
        fine = r->np > 0 && iterate(r, w, held, m->pitzer, GUESSED, SOLID_ROUNDS);
        fine = fine && leaves_water(r);
        collect(r, w, held, total, after, row);
        int missed = 0; /* whether one that was left out would form after all */
        for (int k = 0; k < count && !all; k++) {
            double now = after->index[row * (size_t)m->P + (size_t)wanted[k]];
            missed = missed || now > (down_to ? down_to[k] : 0.0) + SATURATED;
        }
        if (!missed || !fine) break;
    }
    if (fine || r->np == 0) {
        keep_solids(r, after, row);
        after->converged[row] = fine && sane(m, r->ln_aw);
        return;
    }
    /* Where guessing goes round in a circle, as where solids take nearly all of something. */
    dissolve(r, far ? less : total, t, w, held);
    gather(r, total, held.flags);
    lay_solids(r, wanted, down_to, count, held, brought, index, ahead, 1);
    r->narrow = 1e-3;
    for (int p = 0; p < r->np; p++) {
        r->x[p] = 1e-3 * r->cap[p];
        r->under[p] = -r->over[p] > 0.3 ? -r->over[p] : 0.3;
    }
    fine = iterate(r, w, held, m->pitzer, INTERIOR, INTERIOR_ROUNDS) && leaves_water(r);
    collect(r, w, held, total, after, row);
    keep_solids(r, after, row);
    after->converged[row] = fine && sane(m, r->ln_aw);
    if (!fine) return;
    /* With what it found to be there the guess is right, and exact. */
    for (int p = 0; p < r->np; p++) {
        r->there[p] = r->x[p] > 1e-6 * r->cap[p];
        if (!r->there[p]) r->x[p] = 0.0;
    }
    if (iterate(r, w, held, m->pitzer, GUESSED, SOLID_ROUNDS) && leaves_water(r) && sane(m, r->ln_aw)) {
        collect(r, w, held, total, after, row);
        keep_solids(r, after, row);
    }
}

/* --- how far saturation indices can be off (doubt.py) ------------------------------------------------------------ */

/* Standard errors of the saturation index of `count` phases in one Pitzer solution, into `out`; not numbers where the
 * balances are singular. work: rows padded: n x n + n x count, and 3 S + n doubles, places: N + S integers. */
static void sigma_of_row(const Model *m, const double *molality, const double *ln_activity, double kelvin,
                         const int *wanted, const int *salts, int count, double *work, int *places, double *out) {
    int N = m->N, S = m->S, n = 0, c = 0, *masters = places, *counts = places + N;
    for (int j = 0; j < N; j++) if (isfinite(ln_activity[j])) masters[n++] = j;
    int wide = PADDED(n), stride = PADDED(count);
    double *a = work, *b = a + n * wide, *scale = b + n * stride, *own = scale + n;
    double *weight = own + S, *equivalents = weight + S;
    memset(a, 0, sizeof(double) * (size_t)(n * wide + n * stride));
    for (int s = 0; s < S; s++) {
        if (!(molality[s] > 0.0)) continue;
        const double *nu = m->nu + (size_t)s * (size_t)N;
        for (int j = 0; j < n; j++) {
            double left = molality[s] * nu[masters[j]];
            if (left == 0.0) continue;
            for (int k = 0; k < n; k++) a[j * wide + k] += left * nu[masters[k]];
        }
        if (molality[s] > SIGMA_COUNTS) own[c] = molality[s], equivalents[c] = molality[s] * fabs(m->charge[s]), counts[c++] = s;
    }
    for (int j = 0; j < n; j++) scale[j] = 1.0 / sqrt(a[j * wide + j] > 1e-90 ? a[j * wide + j] : 1e-90);
    for (int j = 0; j < n; j++) {
        for (int k = 0; k < n; k++) a[j * wide + k] *= scale[j] * scale[k];
        a[j * wide + j] += 1e-12;
        for (int p = 0; p < count; p++) b[j * stride + p] = m->phase_nu[(size_t)wanted[p] * (size_t)N + (size_t)masters[j]] * scale[j];
    }
    if (!solve_many(a, b, n, count)) {
        for (int p = 0; p < count; p++) out[p] = NAN;
        return;
    }
    double away = fabs(kelvin - REFERENCE_K);
    for (int p = 0; p < count; p++) {
        double water = 0.5 * WATER_KG_PER_MOL * m->phase_water[wanted[p]], total = 0.0;
        for (int i = 0; i < c; i++) {
            const double *nu = m->nu + (size_t)counts[i] * (size_t)N;
            double moved = 0.0;
            for (int j = 0; j < n; j++) moved += b[j * stride + p] * scale[j] * nu[masters[j]];
            weight[i] = own[i] * (moved - water); /* crystal water: the water's activity moves too */
        }
        for (int i = 0; i < c; i++) for (int k = i; k < c; k++) {
            /* A salt whose constant was found with the same parameters does not feel those of its own ions. */
            if (salts[p] && weight[i] > SIGMA_OWN && weight[k] > SIGMA_OWN) continue;
            size_t pair = (size_t)counts[i] * (size_t)S + (size_t)counts[k];
            double scarcer = equivalents[i] < equivalents[k] ? equivalents[i] : equivalents[k];
            double beyond = scarcer / m->fitted_up_to[pair] - 1.0;
            beyond = beyond > 0.0 ? SIGMA_BEYOND * beyond : 0.0;
            double far = away * m->sigma_per_c[pair], error = m->sigma[pair];
            double variance = error * error + far * far + beyond * beyond;
            double amplitude = 2.0 * (weight[i] * own[k] + own[i] * weight[k]);
            /* Of two that differ both orders count, and each by half. */
            total += amplitude * amplitude * variance * (i == k ? 0.25 : 1.0);
        }
        out[p] = sqrt(total) / LN10;
    }
}

/* --- Python's side ----------------------------------------------------------------------------------------------- */

static double *doubles(PyObject *dict, const char *name, Py_buffer *view, int *held) {
    PyObject *item = PyDict_GetItemString(dict, name);
    if (item == NULL || item == Py_None) return NULL;
    if (PyObject_GetBuffer(item, view, PyBUF_C_CONTIGUOUS | PyBUF_FORMAT | PyBUF_WRITABLE) != 0) { PyErr_Clear(); return NULL; }
    ++*held;
    return view->buf;
}

#define BUFFERS 31

/* equilibria(model, rows, size, count, flags): every array of the dictionary `rows`, in place. */
static PyObject *equilibria(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *capsule, *rows;
    int flags, count, size;
    if (!PyArg_ParseTuple(args, "OO!iii", &capsule, &PyDict_Type, &rows, &size, &count, &flags)) return NULL;
    const Model *m = PyCapsule_GetPointer(capsule, "pourcheck.kernel");
    if (m == NULL) return NULL;
    Py_buffer views[BUFFERS];
    int used = 0;
#define GET(name) doubles(rows, name, views + used, &used)
    double *totals = GET("given"), *kelvin = GET("kelvin"), *a = GET("a"), *b = GET("b");
    double *ph = GET("ph"), *alkalinity = GET("alkalinity"), *ln_co2 = GET("ln_co2");
    double *down_to = GET("down_to");
    int *wanted = (int *)GET("wanted"), *sound = (int *)GET("sound");
    double *start_totals = GET("start_totals"), *start_lam = GET("start_lam"), *start_molality = GET("start_molality");
    double *start_strength = GET("start_strength");
    Out before = {GET("totals"), GET("molality"), GET("ln_activity"), GET("ln_aw"), GET("strength"), GET("index"),
                  NULL, (int *)GET("converged")};
    Out after = {GET("totals_after"), GET("molality_after"), GET("ln_activity_after"), GET("ln_aw_after"),
                 GET("strength_after"), GET("index_after"), GET("solid_after"), (int *)GET("converged_after")};
#undef GET
    int complete = totals && kelvin && a && b && sound && before.totals && before.molality && before.ln_activity &&
        before.ln_aw && before.strength && before.index && before.converged && (!(flags & HOLD_PH) || ph) &&
        (!(flags & HOLD_ALKALINITY) || alkalinity) && (!(flags & HOLD_GAS) || ln_co2) &&
        (count == 0 || (wanted && after.totals && after.molality && after.ln_activity && after.ln_aw &&
                        after.strength && after.index && after.solid && after.converged));
    int room = 0;
    if (complete) {
        Py_BEGIN_ALLOW_THREADS
        Room r;
        memset(&r, 0, sizeof r);
        size_t bytes = lay_out(&r, m, NULL);
        char *area = malloc(bytes + sizeof(double) * (size_t)(m->P + m->N));
        if (area != NULL) {
            room = 1;
            lay_out(&r, m, area);
            for (int s = 0; s < m->S; s++) r.nobody[s] = -1;
            r.known_n = -1, r.known_temperature = r.known_strong = r.known_k = r.at_k = -1.0;
            double *ahead = (double *)(area + bytes), *less = ahead + m->P;
            for (int row = 0; row < size; row++) {
                if (!sound[row]) continue;
                r.start_totals = NULL;
                if (start_totals && start_lam && start_molality && start_strength) {
                    r.start_totals = start_totals + (size_t)row * (size_t)m->N, r.start_lam = start_lam + (size_t)row * (size_t)m->N;
                    r.start_molality = start_molality + (size_t)row * (size_t)m->S, r.start_strength = start_strength[row];
                }
                Held held = {ph ? ph[row] : 0.0, alkalinity ? alkalinity[row] : 0.0, ln_co2 ? ln_co2[row] : 0.0, flags};
                Water w = {a[row], b[row]};
                one_row(&r, totals + (size_t)row * (size_t)m->N, kelvin[row], w, held, wanted,
                        down_to ? down_to + (size_t)row * (size_t)count : NULL, count, &before, &after, (size_t)row, ahead,
                        less);
            }
            free(area);
        }
        Py_END_ALLOW_THREADS
    }
    for (int i = 0; i < used; i++) PyBuffer_Release(views + i);
    if (!complete) { PyErr_SetString(PyExc_TypeError, "an array is missing"); return NULL; }
    if (!room) return PyErr_NoMemory();
    Py_RETURN_NONE;
}

/* si_sigma(model, rows, size, count): into "sigma" of the dictionary `rows`. */
static PyObject *si_sigma(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *capsule, *rows;
    int size, count;
    if (!PyArg_ParseTuple(args, "OO!ii", &capsule, &PyDict_Type, &rows, &size, &count)) return NULL;
    const Model *m = PyCapsule_GetPointer(capsule, "pourcheck.kernel");
    if (m == NULL) return NULL;
    Py_buffer views[BUFFERS];
    int used = 0;
#define GET(name) doubles(rows, name, views + used, &used)
    double *molality = GET("molality"), *ln_activity = GET("ln_activity"), *kelvin = GET("kelvin"), *out = GET("sigma");
    int *wanted = (int *)GET("wanted"), *salts = (int *)GET("salts");
#undef GET
    int complete = molality && ln_activity && kelvin && out && wanted && salts && m->pitzer, room = 0;
    if (complete) {
        size_t N = (size_t)m->N, S = (size_t)m->S, P = (size_t)count;
        double *work = malloc(sizeof(double) * (N * (N + 3) + N * (P + 3) + N + 3 * S + 1));
        int *places = malloc(sizeof(int) * (N + S + 1));
        room = work != NULL && places != NULL;
        Py_BEGIN_ALLOW_THREADS
        for (size_t row = 0; room && row < (size_t)size; row++)
            sigma_of_row(m, molality + row * S, ln_activity + row * N, kelvin[row], wanted, salts, count, work, places,
                         out + row * P);
        Py_END_ALLOW_THREADS
        free(work);
        free(places);
    }
    for (int i = 0; i < used; i++) PyBuffer_Release(views + i);
    if (!complete) { PyErr_SetString(PyExc_TypeError, "an array is missing"); return NULL; }
    if (!room) return PyErr_NoMemory();
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {
    {"prepare", prepare, METH_VARARGS, "The tables of a set of constants, kept for `equilibria`."},
    {"equilibria", equilibria, METH_VARARGS, "Solves rows in place."},
    {"si_sigma", si_sigma, METH_VARARGS, "Standard errors of saturation indices, in place."},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_kernel", "Equilibrium of solutions, compiled.", -1, methods,
                                    NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__kernel(void) { return PyModule_Create(&module); }
