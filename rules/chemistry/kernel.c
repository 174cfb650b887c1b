/* Equilibrium of solutions, several rows side by side (lanes.h): the compiled twin of newton.py, response.py, solids.py,
 * activity.py and pitzer.py, which are its reference (the same equations under the same names) and take over where a
 * row does not converge here.
 *
 * Unknowns of a row: ln activities `lam` of its masters; the ionic strength (Debye-Hueckel) or ln of every amount
 * (Pitzer), eliminated; amounts of the solids, answered by the activities. Mass balances are solved in logarithmic
 * form by Newton's method. Only masters and species that are in the rows take part: rows go side by side that have the
 * same ones, each in a lane, and a lane that is done waits for the others. A row's answer depends on no other one but
 * for the last steps of its Pitzer model (below its tolerance). It starts from nothing, or from a solution like it where
 * one is given. In the Pitzer model every amount above ACTS takes part in the activity coefficients, and in the Newton
 * step those above STEERS in one of the lanes: the rest is answered a step later, at a rate of its share.
 *
 * Python's stable interface alone is used: tables and rows come and go as buffers of doubles and 32-bit integers.
 */
#define Py_LIMITED_API 0x030B0000
#define PY_SSIZE_T_CLEAN
#include <Python.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "lanes.h"
#include "pieces.h"
#include "volumes.h"

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
#define ALIGNED 64       /* bytes: where numbers of several rows begin */
#define MOST_MASTERS 64
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
    if (m->N > MOST_MASTERS) {
        release(m);
        PyErr_SetString(PyExc_ValueError, "there are more masters than the kernel has room for");
        return NULL;
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

/* Pairs of ions: where they do not change with the temperature, and where they do. */
typedef struct { int i, j, alpha; double b0, b1, b2, c; } Flat;
typedef struct { int i, j, k, alpha; Real b0, b1, b2, c; } Pair;
typedef struct { int i, j, k; Real value; } Like;
typedef struct { int i, j, k, row; Real value; } Triple;

typedef struct {
    const Model *m;
    /* what is in these rows: masters, species and their stoichiometry, sparse */
    int n, ns, h, co3, *masters, *of_master, *species;
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
    Real *ln_k, *k;
    Real *total, *ln_total, *lam, *a; /* a: activities, then their inverses */
    /* amounts and how they answer a step */
    Real *c, *u, *ln_gamma, *off, *du, *kind_ln, *kind_slope;
    Real strength, change, drift_off, ln_aw, gap;
    Real *reach, *q, q0;
    Real *sum, *jacobian, *shift, *gain, *lose, *carb, *oth, *step, *residual;
    Real gained, lost, gain0, lose0, carb0, oth0, carb_sum, oth_sum;
    /* Pitzer: pairs of the species that are there, at this temperature */
    int nflat, npairs, nlikes, ntriples;
    Flat *flat;
    Pair *pairs;
    Like *likes;
    Triple *triples;
    /* charges that there are, that of each species, and what two of one sign that differ come to (and per strength) */
    int ncharges, *charge_of;
    double charges[MOST_CHARGES];
    Real apart[MOST_CHARGES][MOST_CHARGES], apart1[MOST_CHARGES][MOST_CHARGES];
    Real *mm, *lm, *l1m, *cm, *hessian, *inner, *right;
    int *acts, *steers, *steering, *nobody, nsteer; /* nobody: -1 for every species */
    /* the masters in the amounts that steer: their answers' columns, with one more for what comes without a step */
    int ncolumns, *columns, *column_of;
    Real *answers, *qc, *stepc; /* what the answers come to by master, then gained, lost, carbonic and other */
    Real a_phi;
    Real known_strong, known_k, at_k; /* temperatures */
    int known_n, *known_masters, known_held;
    /* solids: laid, where one may form at all */
    int np, *phases;
    Mask *laid, *there;
    double *pnu, *pwater, *pup, *pdown;
    Real *pln_k, *cap, *x, *over, *stiff, *push, *nu_step;
    /* by the interior point: undersaturations, what they are off by with the drift, and how x and they answer */
    Real *under, *moved, *dx, *dunder, narrow;
    /* constants of every phase, and saturated molalities of the salts with a curve, at the temperature they are for */
    Real *at_ln_k, *at_saturated;
    /* gas */
    double *gas_nu, gas_water;
    Real gas_ln_k;
} Room;

#define AREA(type, size) (type *)take(&rest, sizeof(type) * (size_t)(size))
static void *take(char **rest, size_t size) {
    void *out = *rest;
    *rest += (size + ALIGNED - 1) & ~(size_t)(ALIGNED - 1);
    return out;
}

/* Lays the room out from an aligned place on; how many bytes it takes. */
static size_t lay_out(Room *r, const Model *m, char *rest) {
    int N = m->N, S = m->S, P = m->P;
    char *base = rest;
    r->m = m;
    r->masters = AREA(int, N); r->of_master = AREA(int, N); r->species = AREA(int, S); r->start = AREA(int, S + 1);
    r->place = AREA(int, S * N); r->count = AREA(double, S * N);
    r->times_start = AREA(int, S + 1); r->times = AREA(int, m->powers); r->kinds = AREA(int, m->K);
    r->square_start = AREA(int, S + 1); r->square = AREA(int, m->squares); r->weight = AREA(double, m->squares);
    r->water = AREA(double, S); r->z = AREA(double, S); r->z2 = AREA(double, S); r->up = AREA(double, S);
    r->down = AREA(double, S); r->carbonic = AREA(double, S); r->other = AREA(double, S); r->kind = AREA(int, S);
    r->ln_k = AREA(Real, S); r->k = AREA(Real, S);
    r->total = AREA(Real, N); r->ln_total = AREA(Real, N); r->lam = AREA(Real, N); r->a = AREA(Real, 2 * N);
    r->c = AREA(Real, S); r->u = AREA(Real, S); r->ln_gamma = AREA(Real, S); r->off = AREA(Real, S);
    r->du = AREA(Real, S); r->kind_ln = AREA(Real, m->K); r->kind_slope = AREA(Real, m->K);
    r->reach = AREA(Real, N); r->q = AREA(Real, N); r->sum = AREA(Real, N); r->jacobian = AREA(Real, N * N);
    r->shift = AREA(Real, N); r->gain = AREA(Real, N); r->lose = AREA(Real, N); r->carb = AREA(Real, N);
    r->oth = AREA(Real, N); r->step = AREA(Real, N); r->residual = AREA(Real, N);
    r->flat = AREA(Flat, m->pairs); r->pairs = AREA(Pair, m->pairs); r->likes = AREA(Like, m->likes);
    r->triples = AREA(Triple, m->triples); r->charge_of = AREA(int, S);
    r->mm = AREA(Real, S); r->lm = AREA(Real, S); r->l1m = AREA(Real, S); r->cm = AREA(Real, S);
    r->hessian = AREA(Real, MOST_STEER * MOST_STEER); r->inner = AREA(Real, MOST_STEER * MOST_STEER);
    r->right = AREA(Real, MOST_STEER * (N + 1)); r->answers = AREA(Real, (N + 4) * (N + 1));
    r->qc = AREA(Real, N + 1); r->stepc = AREA(Real, N + 1);
    r->columns = AREA(int, N); r->column_of = AREA(int, N);
    r->acts = AREA(int, S); r->steers = AREA(int, S); r->steering = AREA(int, S); r->nobody = AREA(int, S);
    r->known_masters = AREA(int, N);
    r->phases = AREA(int, P); r->laid = AREA(Mask, P); r->there = AREA(Mask, P); r->pnu = AREA(double, P * N);
    r->pwater = AREA(double, P); r->pln_k = AREA(Real, P); r->pup = AREA(double, P); r->pdown = AREA(double, P);
    r->cap = AREA(Real, P); r->x = AREA(Real, P); r->over = AREA(Real, P); r->stiff = AREA(Real, P);
    r->push = AREA(Real, P); r->under = AREA(Real, P); r->moved = AREA(Real, P); r->dx = AREA(Real, P);
    r->dunder = AREA(Real, P); r->nu_step = AREA(Real, P * N); r->gas_nu = AREA(double, N);
    r->made = AREA(int, P); r->made_start = AREA(int, P + 1); r->made_place = AREA(int, P * N);
    r->made_count = AREA(double, P * N);
    r->at_ln_k = AREA(Real, P); r->at_saturated = AREA(Real, m->curves + 1);
    return (size_t)(rest - base);
}

/* What is given of rows side by side; lanes without a row of their own do as the last one. */
typedef struct { Real t, a, b, ph, alkalinity, ln_co2; int flags; } Given;

static const Real NOTHING;

/* The linear systems n by n with `columns` right sides, in place: no pivots are looked for, since the rows are those of
 * a Gibbs energy's second derivatives but for scales (the protons' row comes last); a lane where that fails has no
 * number for an answer. */
WITHIN void eliminate(Real *restrict a, Real *restrict b, int n, int columns) {
    for (int k = 0; k < n; k++) {
        Real scale = 1.0 / a[k * n + k];
        for (int i = k + 1; i < n; i++) {
            Real f = a[i * n + k] * scale;
            if (!any(above(size_of(f), NOTHING))) continue;
            for (int j = k + 1; j < n; j++) a[i * n + j] -= f * a[k * n + j];
            for (int j = 0; j < columns; j++) b[i * columns + j] -= f * b[k * columns + j];
        }
    }
    for (int k = n - 1; k >= 0; k--) {
        Real scale = 1.0 / a[k * n + k];
        for (int j = 0; j < columns; j++) {
            Real t = b[k * columns + j];
            for (int i = k + 1; i < n; i++) t -= a[k * n + i] * b[i * columns + j];
            b[k * columns + j] = t * scale;
        }
    }
}

HOT static void solve_one(Real *a, Real *b, int n) { eliminate(a, b, n, 1); }

HOT static void solve_many(Real *a, Real *b, int n, int columns) { eliminate(a, b, n, columns); }

WITHIN int same_as(Real x, Real y) { return !any(above(size_of(x - y), NOTHING)); }

/* --- what is in these rows --------------------------------------------------------------------------------------- */

static double protons(const Room *r, const double *nu, int held) {
    return held & HOLD_GAS ? nu[r->m->h] - 2.0 * nu[r->m->co3] : nu[r->m->h];
}

static void pairs_of_rows(Room *r);

/* The masters of a row, carbonate first and protons last, and the species that they make; kept where the rows before
 * had the same. */
static void gather(Room *r, const double *total, int held) {
    const Model *m = r->m;
    int n = 0, same = held == r->known_held;
    for (int k = 0; k <= m->N; k++) {
        int j = k == 0 ? m->co3 : k == m->N ? m->h : k - (k <= m->co3);
        if ((k > 0 && j == m->co3) || (j == m->h && k < m->N)) continue;
        if (total[j] > 0.0 || j == m->h) {
            if (n >= r->known_n || r->known_masters[n] != j) same = 0;
            r->masters[n++] = j;
        }
    }
    same = same && n == r->known_n;
    r->n = n;
    if (same) return;
    for (int j = 0; j < m->N; j++) r->of_master[j] = -1;
    for (int j = 0; j < n; j++) r->known_masters[j] = r->masters[j], r->of_master[r->masters[j]] = j;
    r->known_n = n, r->known_held = held;
    r->h = r->of_master[m->h], r->co3 = r->of_master[m->co3];
    int ns = 0, entry = 0, times = 0, square = 0;
    memset(r->kinds, 0, sizeof(int) * (size_t)m->K);
    for (int s = 0; s < m->S; s++) {
        const double *nu = m->nu + (size_t)s * (size_t)m->N;
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
            for (int f = e; f < entry; f++) {
                int low = r->place[e] < r->place[f] ? e : f, high = low == e ? f : e;
                r->square[square] = r->place[low] * n + r->place[high];
                r->weight[square++] = r->count[e] * r->count[f];
            }
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
    if (m->pitzer) pairs_of_rows(r);
    r->known_strong = r->known_k = all_of(-1.0);
    for (int j = 0; j < n; j++) r->gas_nu[j] = m->phase_nu[(size_t)m->gas * (size_t)m->N + (size_t)r->masters[j]];
}

/* Totals of the rows side by side. */
static void load(Room *r, const double *const total[LANES]) {
    for (int j = 0; j < r->n; j++) {
        for (int l = 0; l < LANES; l++) AT(r->total[j], l) = total[l][r->masters[j]];
        r->ln_total[j] = log_of(more(r->total[j], all_of(TINY)));
    }
}

/* A table of a curve at a temperature, straight between its points, and on along its ends or level beyond them. */
static double along_curve(const Model *m, const double *table, int curve, double t, int level) {
    int first = m->curve_start[curve], last = m->curve_start[curve + 1] - 1, k = first;
    double c = t - 273.15;
    if (level) c = c < m->curve_c[first] ? m->curve_c[first] : c > m->curve_c[last] ? m->curve_c[last] : c;
    if (first == last) return table[first];
    while (k < last - 1 && c > m->curve_c[k + 1]) k++;
    return table[k] + (table[k + 1] - table[k]) / (m->curve_c[k + 1] - m->curve_c[k]) * (c - m->curve_c[k]);
}

/* ln K of every phase, and the saturated molalities; kept while the temperatures stay. */
HOT static void phases_at(Room *r, const Given *given) {
    const Model *m = r->m;
    Real t = given->t;
    if (same_as(r->at_k, t)) return;
    Real span = (1.0 / REFERENCE_K - 1.0 / t) / GAS_CONSTANT, log10_t = log_of(t) / LN10;
    for (int p = 0; p < m->P; p++) r->at_ln_k[p] = m->phase_ln_k[p] + span * m->phase_delta_h[p];
    for (int i = 0; i < m->analytics; i++) {
        const double *e = m->analytic + 6 * i;
        r->at_ln_k[m->analytic_of[i]] = LN10 * (e[0] + e[1] * t + e[2] / t + e[3] * log10_t + e[4] / (t * t) + e[5] * t * t);
    }
    for (int i = 0; i < m->curves; i++) {
        Real ln = all_of(0.0);
        for (int l = 0; l < LANES; l++) {
            AT(r->at_ln_k[m->curve_of[i]], l) = along_curve(m, m->curve_ln_k, i, AT(t, l), 0);
            AT(ln, l) = along_curve(m, m->curve_ln_molality, i, AT(t, l), 1);
        }
        r->at_saturated[i] = exp_of(ln);
    }
    r->at_k = t;
}

/* --- dilute: Debye-Hueckel --------------------------------------------------------------------------------------- */

/* ln gamma of the kinds of species that are there, and its slope by the ionic strength. */
WITHIN void dilute_gamma(Room *r, const Given *given, Real strength) {
    const Model *m = r->m;
    Mask held = ~below(strength, all_of(HELD_ABOVE));
    Real i = within(strength, 1e-12, HELD_ABOVE), root = root_of(i), twice = 2.0 * root;
    for (int place = 0; place < r->nkinds; place++) {
        int k = r->kinds[place];
        Real size = m->kind_davies[k] ? all_of(1.0) : given->b * m->kind_a[k], share = 1.0 / (1.0 + size * root);
        Real linear = m->kind_davies[k] ? 0.3 * given->a * m->kind_z2[k] : all_of(m->kind_b[k]);
        Real steep = given->a * m->kind_z2[k] * share;
        r->kind_ln[k] = (linear * i - steep * root) * LN10;
        r->kind_slope[k] = where(held, NOTHING, (linear - steep * share / twice) * LN10);
    }
}

/* Activities of the masters, given as these logarithms, and their inverses. */
WITHIN void activities(Room *r, const Real *lam) {
    int n = r->n;
    for (int j = 0; j < n; j++) r->a[j] = exp_of(within(lam[j], 4.0 * LN_TINY, -4.0 * LN_TINY)), r->a[n + j] = 1.0 / r->a[j];
}

/* 1/gamma of the kinds of species, in place of their ln gamma. */
WITHIN void inverse_gamma(Room *r) {
    for (int i = 0; i < r->nkinds; i++) r->kind_ln[r->kinds[i]] = exp_of(-r->kind_ln[r->kinds[i]]);
}

/* The amount of a species at these activities and this 1/gamma of its kind. */
WITHIN Real product(const Room *r, int s) {
    Real out = r->k[s] * r->kind_ln[r->kind[s]];
    for (int e = r->times_start[s]; e < r->times_start[s + 1]; e++) out *= r->a[r->times[e]];
    return out;
}

/* Amounts at the present activities and ionic strength. */
HOT static void dilute_amounts(Room *r, const Given *given) {
    Real all = NOTHING, charged = NOTHING;
    dilute_gamma(r, given, r->strength);
    inverse_gamma(r);
    activities(r, r->lam);
    for (int s = 0; s < r->ns; s++) {
        r->c[s] = within(product(r, s), LEAST, MOST_THERE);
        all += r->c[s];
    }
    r->ln_aw = log_of(within(1.0 - 0.017 * all, 0.3, 1.0));
    for (int s = 0; s < r->ns; s++) {
        if (r->water[s] != 0.0) r->c[s] *= exp_of(r->water[s] * r->ln_aw);
        charged += r->c[s] * r->z2[s];
    }
    r->gap = 0.5 * charged - r->strength;
}

static void clear(Real *numbers, int count) { memset(numbers, 0, sizeof(Real) * (size_t)count); }

static void clear_sums(Room *r) {
    int n = r->n;
    clear(r->sum, n), clear(r->jacobian, n * n), clear(r->shift, n), clear(r->gain, n), clear(r->lose, n);
    clear(r->carb, n), clear(r->oth, n);
    r->gained = r->lost = r->gain0 = r->lose0 = r->carb0 = r->oth0 = r->carb_sum = r->oth_sum = NOTHING;
}

/* Weighted sums of the amounts and their change where ln c answers by nu alone; of the jacobian's two equal halves the
 * upper one. */
WITHIN void plain_sums(Room *r, int s, int alkalinity) {
    const int first = r->start[s], end = r->start[s + 1], *place = r->place;
    Real c = r->c[s];
    for (int k = r->square_start[s]; k < r->square_start[s + 1]; k++) r->jacobian[r->square[k]] += c * r->weight[k];
    for (int e = first; e < end; e++) r->sum[place[e]] += c * r->count[e];
    if (r->up[s] != 0.0) {
        Real up = c * r->up[s];
        r->gained += up;
        for (int e = first; e < end; e++) r->gain[place[e]] += up * r->count[e];
    } else if (r->down[s] != 0.0) {
        Real down = c * r->down[s];
        r->lost += down;
        for (int e = first; e < end; e++) r->lose[place[e]] += down * r->count[e];
    }
    if (alkalinity) {
        Real one = c * r->carbonic[s], two = c * r->other[s];
        r->carb_sum += one, r->oth_sum += two;
        for (int e = first; e < end; e++) {
            r->carb[place[e]] += one * r->count[e];
            r->oth[place[e]] += two * r->count[e];
        }
    }
}

WITHIN void mirror(Room *r) {
    Real *square = r->jacobian;
    for (int j = 1; j < r->n; j++) for (int k = 0; k < j; k++) square[j * r->n + k] = square[k * r->n + j];
}

HOT static void dilute_sums(Room *r, int alkalinity) {
    Real *drift = r->du, *reach = r->reach;
    clear(reach, r->n), clear(drift, r->n);
    for (int s = 0; s < r->ns; s++) {
        plain_sums(r, s, alkalinity);
        Real part = r->c[s] * r->kind_slope[r->kind[s]], half = 0.5 * r->c[s] * r->z2[s];
        if (r->z2[s] == 0.0 && r->m->kind_b[r->kind[s]] == 0.0) continue;
        for (int e = r->start[s]; e < r->start[s + 1]; e++)
            drift[r->place[e]] += part * r->count[e], reach[r->place[e]] += half * r->count[e];
    }
    mirror(r);
}

/* What the change of the ionic strength does to the sums; it is held while the balances are still far off. */
HOT static void strength_answers(Room *r, const Real *most) {
    int n = r->n;
    Real *drift = r->du, *reach = r->reach, q = all_of(1.0), up = NOTHING, down = NOTHING, one = NOTHING, two = NOTHING;
    Mask near = below(*most, all_of(1.0));
    /* ln c falls by slope times the change of the ionic strength: one rank for all of them. */
    for (int s = 0; s < r->ns; s++) {
        Real part = r->c[s] * r->kind_slope[r->kind[s]];
        q += 0.5 * part * r->z2[s];
        up += part * r->up[s], down += part * r->down[s], one += part * r->carbonic[s], two += part * r->other[s];
    }
    q = where(near, 1.0 / where(above(q, all_of(0.2)), q, all_of(1.0)), NOTHING);
    r->drift_off = r->gap * q;
    for (int j = 0; j < n; j++) reach[j] *= q;
    for (int j = 0; j < n; j++) {
        Real *row = r->jacobian + j * n, off = drift[j];
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

/* The pairs, like ions and triples among the species of the rows. */
static void pairs_of_rows(Room *r) {
    const Model *m = r->m;
    int *of = r->acts; /* place of a species in the rows, for now */
    for (int s = 0; s < m->S; s++) of[s] = -1;
    for (int s = 0; s < r->ns; s++) of[r->species[s]] = s;
    r->nflat = r->npairs = r->nlikes = r->ntriples = 0;
    for (int k = 0; k < m->pairs; k++) {
        int i = of[m->pair[2 * k]], j = of[m->pair[2 * k + 1]];
        if (i < 0 || j < 0) continue;
        const double *b0 = m->beta0 + 6 * k, *b1 = m->beta1 + 6 * k, *b2 = m->beta2 + 6 * k, *c = m->cphi + 6 * k;
        int flat = 1;
        for (int t = 1; t < 6 && flat; t++) flat = b0[t] == 0.0 && b1[t] == 0.0 && b2[t] == 0.0 && c[t] == 0.0;
        if (flat) r->flat[r->nflat++] = (Flat){i, j, m->pair_alpha[k], *b0, *b1, *b2, *c};
        else r->pairs[r->npairs++] = (Pair){i, j, k, m->pair_alpha[k], NOTHING, NOTHING, NOTHING, NOTHING};
    }
    for (int k = 0; k < m->likes; k++) {
        int i = of[m->like[2 * k]], j = of[m->like[2 * k + 1]];
        if (i >= 0 && j >= 0) r->likes[r->nlikes++] = (Like){i, j, k, NOTHING};
    }
    for (int k = 0; k < m->triples; k++) {
        int a = of[m->triple[3 * k]], b = of[m->triple[3 * k + 1]], c = of[m->triple[3 * k + 2]];
        if (a >= 0 && b >= 0 && c >= 0) r->triples[r->ntriples++] = (Triple){a, b, c, k, NOTHING};
    }
    r->ncharges = 0;
    for (int i = 0; i < r->ns; i++) {
        int k = 0;
        while (k < r->ncharges && r->charges[k] != r->z[i]) k++;
        if (k == r->ncharges) r->charges[r->ncharges++] = r->z[i];
        r->charge_of[i] = k;
    }
}

WITHIN Real along(const double *v, const Real *basis) {
    Real out = v[0] * basis[0];
    for (int t = 1; t < 6; t++) out += v[t] * basis[t];
    return out;
}

HOT static void strong_at(Room *r, const Given *given) {
    const Model *m = r->m;
    Real t = given->t;
    if (same_as(r->known_strong, t)) return;
    double R = REFERENCE_K;
    Real basis[6] = {all_of(1.0), 1.0 / t - 1.0 / R, log_of(t / R), t - R, t * t - R * R, 1.0 / (t * t) - 1.0 / (R * R)};
    for (int p = 0; p < r->npairs; p++) {
        Pair *one = r->pairs + p;
        int k = one->k;
        one->b0 = along(m->beta0 + 6 * k, basis), one->b1 = along(m->beta1 + 6 * k, basis);
        one->b2 = along(m->beta2 + 6 * k, basis), one->c = along(m->cphi + 6 * k, basis);
    }
    for (int p = 0; p < r->nlikes; p++) r->likes[p].value = along(m->like_value + 6 * r->likes[p].k, basis);
    for (int p = 0; p < r->ntriples; p++) r->triples[p].value = along(m->triple_value + 6 * r->triples[p].row, basis);
    r->known_strong = t;
}

typedef struct { Real g, first, second; } Shape;

/* Pitzer's g(alpha sqrt I) and what its first two derivatives come to by the ionic strength. */
WITHIN void shape_of(Shape *out, double alpha, Real root, Real strength) {
    Real x = more(alpha * root, all_of(1e-9)), e = exp_of(more(-x, all_of(LEAST_LN)));
    Mask tiny = below(x, all_of(1e-3));
    Real value = where(tiny, 1.0 - 2.0 * x / 3.0, 2.0 * (1.0 - (1.0 + x) * e) / (x * x));
    Real slope = where(tiny, all_of(-2.0 / 3.0), 2.0 * (e - value) / x);
    Real bend = where(tiny, all_of(0.5), 2.0 * ((value - e) / x - e - slope) / x);
    x = alpha * root;
    out->g = value, out->first = slope * x / (2.0 * strength);
    out->second = (bend * x - slope) * x / (4.0 * strength * strength);
}

WITHIN void j_of(Real x, Real *value, Real *slope) {
    Real ln_x = log_of(more(x, all_of(1e-12))), root = exp_of(0.528 * ln_x);
    Real bend = 4.581 * exp_of(-0.7237 * ln_x - 0.0120 * root), below = 4.0 + bend;
    *value = x / below;
    *slope = 1.0 / below - bend / (below * below) * (-0.7237 - 0.0120 * 0.528 * root);
}

/* What ions of one sign whose charges differ come to beyond others, by the strength and x of two single charges. */
WITHIN void apart_at(Room *r, Real strength, Real x) {
    Real j[MOST_CHARGE * MOST_CHARGE + 1], slope[MOST_CHARGE * MOST_CHARGE + 1];
    int known[MOST_CHARGE * MOST_CHARGE + 1] = {0};
    for (int k = 0; k < r->ncharges; k++) for (int l = 0; l < r->ncharges; l++) {
        double one = r->charges[k], two = r->charges[l];
        r->apart[k][l] = r->apart1[k][l] = NOTHING;
        if (one * two <= 0.0 || one == two) continue;
        int times[3] = {(int)(one * two), (int)(one * one), (int)(two * two)};
        for (int i = 0; i < 3; i++)
            if (!known[times[i]]) known[times[i]] = 1, j_of(x * (double)times[i], j + times[i], slope + times[i]);
        double both = times[0], first = times[1], second = times[2];
        Real e = both / (4.0 * strength) * (j[times[0]] - 0.5 * j[times[1]] - 0.5 * j[times[2]]);
        r->apart[k][l] = e;
        r->apart1[k][l] = both / (8.0 * strength * strength) *
            (x * both * slope[times[0]] - 0.5 * x * first * slope[times[1]] - 0.5 * x * second * slope[times[2]]) - e / strength;
    }
}

/* A pair's share of the sums over pairs. */
#define ADD_PAIR(one) do { \
        int i = (one).i, j = (one).j, si = steers[i], sj = steers[j]; \
        const Shape *g = first + (one).alpha; \
        Real mi = m[i], mj = m[j]; \
        Real b = (one).b0 + (one).b1 * g->g, b1 = (one).b1 * g->first, b2 = (one).b1 * g->second; \
        if (has_other(one)) { \
            const Shape *g2 = other + (one).alpha; \
            b += (one).b2 * g2->g, b1 += (one).b2 * g2->first, b2 += (one).b2 * g2->second; \
        } \
        if (i != of) { /* pairs come by their first ion: its sums stay at hand */ \
            if (of >= 0) r->lm[of] += lm, r->l1m[of] += l1m, r->cm[of] += cm; \
            of = i, lm = l1m = cm = NOTHING; \
        } \
        lm += b * mj, l1m += b1 * mj, cm += (one).c * mj; \
        r->lm[j] += b * mi, r->l1m[j] += b1 * mi, r->cm[j] += (one).c * mi; \
        bend += 2.0 * mi * mj * b2; \
        if (si >= 0 && sj >= 0) { \
            Real h = 2.0 * b + zsum * (one).c; \
            H[si * a + sj] += h, H[sj * a + si] += h; \
        } \
    } while (0)

/* ln gamma of all species, ln of the water activity, and where `bends` the derivatives by the amounts that steer. */
HOT static void strong_gamma(Room *r, int bends) {
    int ns = r->ns, a = bends ? r->nsteer : 0;
    const int *steers = bends ? r->steers : r->nobody;
    Real *m = r->mm, strength = NOTHING, zsum = NOTHING, total = NOTHING;
    for (int s = 0; s < ns; s++) {
        m[s] = where(above(r->c[s], all_of(ACTS)), less(r->c[s], all_of(MOST)), NOTHING);
        strength += m[s] * r->z2[s], zsum += m[s] * fabs(r->z[s]), total += m[s];
        r->lm[s] = r->l1m[s] = r->cm[s] = NOTHING;
    }
    strength = more(0.5 * strength, all_of(1e-9));
    Real root = root_of(strength), ap = r->a_phi, under = 1.0 + PITZER_B * root, ln_under = log_of(under);
    Real f = -4.0 * ap * strength / PITZER_B * ln_under;
    Real f1 = -2.0 * ap * (2.0 / PITZER_B * ln_under + root / under);
    Real f2 = -2.0 * ap * (1.0 / (root * under) + 0.5 / (root * under * under));
    Shape first[3], other[3];
    shape_of(first, 2.0, root, strength), shape_of(first + 1, 1.4, root, strength), first[2] = first[0];
    shape_of(other, 12.0, root, strength), other[1] = other[0], shape_of(other + 2, 50.0, root, strength);
    Real *H = r->hessian, bend = f2, lm = NOTHING, l1m = NOTHING, cm = NOTHING;
    clear(H, a * a);
    int of = -1;
#define has_other(one) ((one).b2 != 0.0)
    for (int p = 0; p < r->nflat; p++) ADD_PAIR(r->flat[p]);
#undef has_other
#define has_other(one) any(above(size_of((one).b2), NOTHING))
    for (int p = 0; p < r->npairs; p++) ADD_PAIR(r->pairs[p]);
#undef has_other
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
    Real in_charge[MOST_CHARGES], by_charge[MOST_CHARGES], by_charge1[MOST_CHARGES];
    clear(in_charge, r->ncharges);
    for (int s = 0; s < ns; s++) in_charge[r->charge_of[s]] += m[s];
    apart_at(r, strength, 6.0 * ap * root);
    for (int k = 0; k < r->ncharges; k++) {
        by_charge[k] = by_charge1[k] = NOTHING;
        for (int l = 0; l < r->ncharges; l++)
            by_charge[k] += r->apart[k][l] * in_charge[l], by_charge1[k] += r->apart1[k][l] * in_charge[l];
    }
    for (int s = 0; s < ns; s++) r->lm[s] += by_charge[r->charge_of[s]], r->l1m[s] += by_charge1[r->charge_of[s]];
    Real mlm = NOTHING, ml1m = NOTHING, mcm = NOTHING;
    for (int s = 0; s < ns; s++) mlm += m[s] * r->lm[s], ml1m += m[s] * r->l1m[s], mcm += m[s] * r->cm[s];
    Real squared = 0.5 * (f1 + ml1m), charged = 0.5 * mcm;
    for (int s = 0; s < ns; s++)
        r->ln_gamma[s] = squared * r->z2[s] + 2.0 * r->lm[s] + zsum * r->cm[s] + charged * fabs(r->z[s]);
    Real energy = f + mlm + 0.5 * zsum * mcm;
    for (int p = 0; p < r->ntriples; p++) {
        const Triple *one = r->triples + p;
        int i = one->i, j = one->j, k = one->k;
        Real v = one->value;
        r->ln_gamma[i] += v * m[j] * m[k], r->ln_gamma[j] += v * m[i] * m[k], r->ln_gamma[k] += v * m[i] * m[j];
        energy += v * m[i] * m[j] * m[k];
        int si = steers[i], sj = steers[j], sk = steers[k];
        if (si >= 0 && sj >= 0) H[si * a + sj] += v * m[k], H[sj * a + si] += v * m[k];
        if (si >= 0 && sk >= 0) H[si * a + sk] += v * m[j], H[sk * a + si] += v * m[j];
        if (sj >= 0 && sk >= 0) H[sj * a + sk] += v * m[i], H[sk * a + sj] += v * m[i];
    }
    Real mg = NOTHING;
    for (int s = 0; s < ns; s++) mg += m[s] * r->ln_gamma[s];
    r->ln_aw = WATER_KG_PER_MOL * (energy - mg - total);
    for (int x = 0; x < a; x++) {
        int s = r->steering[x];
        double zs = fabs(r->z[s]);
        const Real *apart = r->apart[r->charge_of[s]];
        Real curved = r->z2[s] * 0.25 * bend + r->l1m[s], crossed = r->cm[s];
        for (int y = 0; y < a; y++) {
            int t = r->steering[y];
            H[x * a + y] += curved * r->z2[t] + r->z2[s] * r->l1m[t] + zs * r->cm[t] + crossed * fabs(r->z[t]) +
                2.0 * apart[r->charge_of[t]];
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
}

/* Amounts, activity coefficients and how far each amount is off, and how the amounts that steer answer a step. A species
 * steers as soon as it does in one of the lanes that are busy. */
HOT static void strong_amounts(Room *r, Real *worst, const Mask *busy) {
    int n = r->n, ns = r->ns;
    for (int s = 0; s < ns; s++) {
        r->c[s] = exp_of(within(r->u[s], LEAST_LN, MOST_LN));
        if (r->steers[s] < 0 && r->nsteer < MOST_STEER && any(*busy & above(r->c[s], all_of(STEERS)))) steer(r, s);
    }
    strong_gamma(r, 1);
    *worst = NOTHING;
    for (int s = 0; s < ns; s++) {
        Real off = r->u[s] + r->ln_gamma[s] - r->ln_k[s] - r->ln_aw * r->water[s];
        for (int e = r->start[s]; e < r->start[s + 1]; e++) off -= r->count[e] * r->lam[r->place[e]];
        r->off[s] = off;
        *worst = where(above(r->c[s], all_of(ACTS)), more(size_of(off), *worst), *worst);
    }
    int a = r->nsteer, columns = r->ncolumns, wide = columns + 1;
    Real aw[MOST_STEER];
    clear(aw, a);
    for (int x = 0; x < a; x++) for (int y = 0; y < a; y++) aw[y] += r->c[r->steering[x]] * r->hessian[x * a + y];
    for (int y = 0; y < a; y++) aw[y] = -WATER_KG_PER_MOL * (1.0 + aw[y]);
    clear(r->right, a * wide);
    for (int x = 0; x < a; x++) {
        int s = r->steering[x];
        Real *inner = r->inner + x * a, *row = r->right + x * wide;
        for (int y = 0; y < a; y++) inner[y] = (r->hessian[x * a + y] - r->water[s] * aw[y]) * r->c[r->steering[y]];
        inner[x] += 1.0;
        for (int e = r->start[s]; e < r->start[s + 1]; e++) row[r->column_of[r->place[e]]] = all_of(r->count[e]);
        row[columns] = -r->off[s];
    }
    solve_many(r->inner, r->right, a, wide);
    clear(r->qc, wide), clear(r->q, n);
    for (int y = 0; y < a; y++) {
        Real part = aw[y] * r->c[r->steering[y]];
        for (int k = 0; k < wide; k++) r->qc[k] += part * r->right[y * wide + k];
    }
    for (int k = 0; k < columns; k++) r->q[r->columns[k]] = r->qc[k];
    r->q0 = r->qc[columns];
}

/* A share of a species whose ln c answers as this: into the sums by master and those of protons and alkalinity. */
WITHIN void answer_sums(Room *r, int s, double share, const Real *answer, int alkalinity) {
    int n = r->n, wide = r->ncolumns + 1;
    Real c = share * r->c[s];
    double also[4] = {r->up[s], r->down[s], r->carbonic[s], r->other[s]};
    for (int e = r->start[s]; e < r->start[s + 1]; e++) {
        Real part = c * r->count[e], *row = r->answers + r->place[e] * wide;
        for (int k = 0; k < wide; k++) row[k] += part * answer[k];
    }
    for (int i = 0; i < (alkalinity ? 4 : 2); i++) {
        Real part = c * also[i], *row = r->answers + (n + i) * wide;
        if (also[i] != 0.0) for (int k = 0; k < wide; k++) row[k] += part * answer[k];
    }
}

HOT static void strong_sums(Room *r, int alkalinity) {
    int n = r->n, columns = r->ncolumns, wide = columns + 1;
    for (int s = 0; s < r->ns; s++) if (r->steers[s] < 0) plain_sums(r, s, alkalinity);
    mirror(r);
    clear(r->answers, (n + 4) * wide);
    for (int s = 0; s < r->ns; s++) {
        if (r->steers[s] >= 0) {
            for (int e = r->start[s]; e < r->start[s + 1]; e++) r->sum[r->place[e]] += r->c[s] * r->count[e];
            r->gained += r->c[s] * r->up[s], r->lost += r->c[s] * r->down[s];
            r->carb_sum += r->c[s] * r->carbonic[s], r->oth_sum += r->c[s] * r->other[s];
            answer_sums(r, s, 1.0, r->right + r->steers[s] * wide, alkalinity);
        } else {
            if (r->water[s] != 0.0) answer_sums(r, s, r->water[s], r->qc, alkalinity);
            Real without = -r->off[s] * r->c[s];
            for (int e = r->start[s]; e < r->start[s + 1]; e++) r->shift[r->place[e]] += without * r->count[e];
            r->gain0 += without * r->up[s], r->lose0 += without * r->down[s];
            r->carb0 += without * r->carbonic[s], r->oth0 += without * r->other[s];
        }
    }
    const Real *gain = r->answers + n * wide, *lose = gain + wide, *carb = lose + wide, *oth = carb + wide;
    for (int j = 0; j < n; j++) {
        const Real *row = r->answers + j * wide;
        for (int k = 0; k < columns; k++) r->jacobian[j * n + r->columns[k]] += row[k];
        r->shift[j] += row[columns];
    }
    for (int k = 0; k < columns; k++) {
        int j = r->columns[k];
        r->gain[j] += gain[k], r->lose[j] += lose[k], r->carb[j] += carb[k], r->oth[j] += oth[k];
    }
    r->gain0 += gain[columns], r->lose0 += lose[columns], r->carb0 += carb[columns], r->oth0 += oth[columns];
}

/* --- Newton's iteration ------------------------------------------------------------------------------------------ */

/* In these lanes the phase that is furthest over, by its ions, is there from now on. */
static void add_worst(Room *r, const Mask *lanes) {
    for (int l = 0; l < LANES; l++) {
        if (!IN(*lanes, l)) continue;
        int worst = -1;
        double most = -INFINITY;
        for (int p = 0; p < r->np; p++) {
            if (!IN(r->laid[p], l) || IN(r->there[p], l)) continue;
            double size = 0.0;
            for (int j = 0; j < r->n; j++) size += fabs(r->pnu[p * r->n + j]);
            double per_ion = AT(r->over[p], l) / (size > 1.0 ? size : 1.0);
            if (per_ion > most) most = per_ion, worst = p;
        }
        if (worst >= 0) IN(r->there[worst], l) = -1;
    }
}

/* The interior point's step: amounts and undersaturations stay above nothing. Where it is at its end. */
WITHIN Mask interior_step(Room *r, Mask busy, Mask done, Real *alpha) {
    Real room = all_of(INFINITY), now = NOTHING, count = NOTHING;
    for (int p = 0; p < r->np; p++) {
        Real x = r->x[p], under = r->under[p], pulled = NOTHING;
        for (int k = 0; k < r->n; k++) pulled += r->nu_step[p * r->n + k] * r->step[k];
        Real dunder = -pulled - r->moved[p], dx = (r->narrow * r->cap[p] - x * under - x * dunder) / under;
        Mask in = r->laid[p];
        room = where(in & below(dx, NOTHING), less(-x / dx, room), room);
        room = where(in & below(dunder, NOTHING), less(-under / dunder, room), room);
        done &= ~in | (below(x * under / r->cap[p], all_of(1e-10)) & below(size_of(under + r->over[p]), all_of(1e-9)));
        r->dx[p] = where(in, dx, NOTHING), r->dunder[p] = where(in, dunder, NOTHING);
        count += where(in, all_of(1.0), NOTHING);
    }
    *alpha = where(done, NOTHING, less(0.98 * room, *alpha)); /* what was tested is what is kept */
    for (int p = 0; p < r->np; p++) {
        r->x[p] = where(busy, r->x[p] + *alpha * r->dx[p], r->x[p]);
        r->under[p] = where(busy, r->under[p] + *alpha * r->dunder[p], r->under[p]);
        now += where(r->laid[p], r->x[p] * r->under[p] / r->cap[p], NOTHING);
    }
    Real share = where(above(*alpha, all_of(0.9)), all_of(0.1), where(above(*alpha, all_of(0.5)), all_of(0.4), all_of(0.7)));
    r->narrow = within(now / more(count, all_of(1.0)) * share, 1e-12, 1.0);
    return done;
}

/* Which solids are there, guessed: what each comes to after this step, and which is to be tried next. Where all is at
 * rest; alpha is none where what was tested is what is kept. */
WITHIN Mask guessed_step(Room *r, Mask busy, Mask done, Mask last, const Real *most, Real *alpha) {
    Mask missing = whole(0), unsettled = whole(0);
    Real farthest = NOTHING, most_over = all_of(-INFINITY);
    for (int p = 0; p < r->np; p++) {
        Mask in = r->laid[p];
        farthest = where(in & r->there[p], more(size_of(r->over[p]), farthest), farthest);
        most_over = where(in & ~r->there[p], more(r->over[p], most_over), most_over);
    }
    done &= below(farthest, all_of(SATURATED));
    last &= ~done & below(farthest, all_of(NEARLY)) & below(most_over, all_of(-NEARLY));
    Real taken = where(done, NOTHING, *alpha);
    for (int p = 0; p < r->np; p++) {
        Real dx = r->push[p];
        for (int k = 0; k < r->n; k++) dx += r->stiff[p] * r->nu_step[p * r->n + k] * r->step[k];
        Real x = where(r->there[p], r->x[p] + taken * dx, r->x[p]);
        Mask in = r->laid[p] & busy, gone = in & below(x, NOTHING) & below(r->over[p], NOTHING);
        r->there[p] &= ~gone;
        x = where(gone, NOTHING, x);
        r->x[p] = where(in, x, r->x[p]);
        missing |= in & ~r->there[p] & above(r->over[p], all_of(SATURATED));
        unsettled |= gone | (in & below(x, NOTHING)); /* without what is gone the balances have to hold anew */
    }
    /* The next one is not waited for where it is plain that it forms beside those that are there. */
    Mask plain = below(*most, all_of(SETTLED)) & below(farthest, all_of(SETTLED)) & above(most_over, all_of(2.0 * SETTLED));
    Mask next = busy & missing & (done | plain);
    if (any(next)) add_worst(r, &next);
    *alpha = taken;
    return (done | last) & ~missing & ~unsettled;
}

/* One phase of the search in the lanes that are busy: strong or dilute; solids: 0 without, GUESSED which are there, or
 * by an INTERIOR point. Where it came to an end. */
HOT static void iterate(Room *r, const Given *given, Mask *lanes, int strong, int solids, int limit) {
    int n = r->n, h = r->h, np = solids ? r->np : 0, flags = given->flags, alkalinity = flags & HOLD_ALKALINITY;
    int exact = solids || strong;
    Real worst_off = NOTHING, before_off = all_of(1e-300);
    Mask busy = *lanes, rest = whole(0);
    for (int round_ = 0; round_ < limit && any(busy); round_++) {
        if (strong) strong_amounts(r, &worst_off, &busy);
        else dilute_amounts(r, given);
        busy &= sound(r->ln_aw);
        Real left = all_of(1.0), dry = NOTHING;
        if (np && strong) {
            for (int p = 0; p < np; p++) dry += r->x[p] * r->pwater[p];
            left = more(1.0 - WATER_KG_PER_MOL * dry, all_of(LEAST_WATER_LEFT));
        }
        clear_sums(r);
        if (strong) strong_sums(r, alkalinity);
        else dilute_sums(r, alkalinity);
        if (np && strong) {
            for (int i = 0; i < n * n; i++) r->jacobian[i] *= left;
            for (int j = 0; j < n; j++) r->sum[j] *= left, r->shift[j] *= left, r->gain[j] *= left, r->lose[j] *= left;
            r->gained *= left, r->lost *= left, r->gain0 *= left, r->lose0 *= left;
        }
        /* Mass balances, logarithmic; the proton balance as gained against lost. */
        Real gained = r->gained, lost = r->lost, *safe = r->a, most = NOTHING, least = all_of(1e-300);
        for (int j = 0; j < n; j++) {
            Real all = r->sum[j];
            for (int p = 0; p < np; p++) if (r->pnu[p * n + j] != 0.0) all += r->x[p] * r->pnu[p * n + j];
            safe[j] = more(all, least);
            r->residual[j] = log_of(safe[j]) - r->ln_total[j];
        }
        for (int p = 0; p < np; p++) gained += r->x[p] * r->pup[p], lost += r->x[p] * r->pdown[p];
        gained = more(gained + more(-r->total[h], NOTHING), least), lost = more(lost + more(r->total[h], NOTHING), least);
        r->residual[h] = log_of(gained) - log_of(lost);
        Real have = more(r->carb_sum, least), need = all_of(1.0);
        Mask short_ = whole(0);
        if (alkalinity) {
            short_ = below(given->alkalinity - r->oth_sum, all_of(1e-9));
            need = where(short_, all_of(1e-9), given->alkalinity - r->oth_sum);
            r->residual[r->co3] = log_of(have) - log_of(need);
        }
        if (flags & HOLD_GAS) {
            Real off = r->gas_water * r->ln_aw - r->gas_ln_k - given->ln_co2;
            for (int j = 0; j < n; j++) off += r->gas_nu[j] * r->lam[j];
            r->residual[r->co3] = off;
        }
        if (flags & HOLD_PH) r->residual[h] = NOTHING;
        for (int j = 0; j < n; j++) {
            busy &= sound(r->residual[j]);
            most = more(size_of(r->residual[j]), most);
        }
        if (!strong) strength_answers(r, &most);
        Real up_share = 1.0 / gained, down_share = 1.0 / lost;
        for (int j = 0; j < n; j++) {
            Real share = 1.0 / safe[j];
            for (int k = 0; k < n; k++) r->jacobian[j * n + k] *= share;
            r->shift[j] *= share;
        }
        for (int k = 0; k < n; k++) r->jacobian[h * n + k] = r->gain[k] * up_share - r->lose[k] * down_share;
        r->shift[h] = r->gain0 * up_share - r->lose0 * down_share;
        /* A solid's amount answers its saturation; substituting it keeps the system n by n. */
        for (int p = 0; p < np; p++) {
            Real over = r->ln_aw * r->pwater[p] - r->pln_k[p], drift = strong ? r->pwater[p] * r->q0 : NOTHING;
            const double *pnu = r->pnu + p * n;
            Real *nu_step = r->nu_step + p * n;
            for (int j = 0; j < n; j++) if (pnu[j] != 0.0) over += r->lam[j] * pnu[j];
            r->over[p] = over;
            if (solids == INTERIOR) {
                Real x = r->x[p], under = r->under[p];
                r->moved[p] = under + over + drift;
                r->stiff[p] = where(r->laid[p], x / under, NOTHING);
                r->push[p] = where(r->laid[p], (r->narrow * r->cap[p] - x * under + x * r->moved[p]) / under, NOTHING);
            } else {
                Mask there = r->there[p] & r->laid[p];
                r->stiff[p] = where(there, STEEP * r->cap[p], NOTHING);
                r->push[p] = where(there, STEEP * r->cap[p] * (over + drift), NOTHING);
                if (!any(there)) continue;
            }
            for (int j = 0; j < n; j++) nu_step[j] = strong ? pnu[j] + r->pwater[p] * r->q[j] : all_of(pnu[j]);
            Real thirst = strong ? WATER_KG_PER_MOL * r->pwater[p] / left : NOTHING;
            for (int j = 0; j < n; j++) {
                if (pnu[j] == 0.0 && j != h && r->pwater[p] == 0.0) continue;
                Real scaled = j == h ? (r->pup[p] - thirst * r->gained) * up_share - (r->pdown[p] - thirst * r->lost) * down_share
                                     : within((pnu[j] - thirst * r->sum[j]) / safe[j], -1e100, 1e100);
                Real part = r->stiff[p] * scaled;
                for (int k = 0; k < n; k++) r->jacobian[j * n + k] += part * nu_step[k];
                r->shift[j] += r->push[p] * scaled;
            }
        }
        if (alkalinity) {
            Real pull = where(short_, NOTHING, 1.0 / need), share = 1.0 / have;
            for (int k = 0; k < n; k++) r->jacobian[r->co3 * n + k] = r->carb[k] * share + pull * r->oth[k];
            r->shift[r->co3] = r->carb0 * share + pull * r->oth0;
        }
        if (flags & HOLD_GAS) {
            for (int k = 0; k < n; k++)
                r->jacobian[r->co3 * n + k] = strong ? r->gas_nu[k] + r->gas_water * r->q[k] : all_of(r->gas_nu[k]);
            r->shift[r->co3] = strong ? r->gas_water * r->q0 : NOTHING;
        }
        if (flags & HOLD_PH) {
            clear(r->jacobian + h * n, n);
            r->jacobian[h * n + h] = all_of(1.0);
            r->shift[h] = NOTHING;
        }
        for (int j = 0; j < n; j++) r->jacobian[j * n + j] += 1e-13, r->step[j] = -(r->residual[j] + r->shift[j]);
        solve_one(r->jacobian, r->step, n);
        Real biggest = NOTHING;
        for (int j = 0; j < n; j++) {
            busy &= sound(r->step[j]);
            biggest = more(size_of(r->step[j]), biggest);
        }
        /* Late rounds take shorter steps: what has not converged by then is going round in a circle. */
        Real alpha = less(MAX_STEP / more(biggest, all_of(1e-300)), all_of(round_ < 40 || round_ % 3 ? 1.0 : 0.3));
        Mask full, done, last;
        if (strong) {
            Real reach = NOTHING, wet = NOTHING;
            int wide = r->ncolumns + 1;
            for (int k = 0; k < r->ncolumns; k++) r->stepc[k] = r->step[r->columns[k]];
            r->stepc[r->ncolumns] = all_of(1.0);
            for (int k = 0; k < wide; k++) wet += r->qc[k] * r->stepc[k];
            for (int s = 0; s < r->ns; s++) {
                Real du = NOTHING;
                if (r->steers[s] >= 0) {
                    const Real *answer = r->right + r->steers[s] * wide;
                    for (int k = 0; k < wide; k++) du += answer[k] * r->stepc[k];
                } else {
                    du = r->water[s] * wet - r->off[s];
                    for (int e = r->start[s]; e < r->start[s + 1]; e++) du += r->count[e] * r->step[r->place[e]];
                }
                r->du[s] = du;
                /* Amounts that fall may fall far: what is left of them acts on nothing. */
                Mask counts = above(r->c[s], where(above(du, NOTHING), all_of(RISES), all_of(FALLS)));
                reach = where(counts, more(size_of(du), reach), reach);
            }
            alpha = less(alpha, LONGEST / more(reach, all_of(1e-300)));
            full = ~below(alpha, all_of(1.0));
            done = below(most, all_of(TOLERANCE)) & below(worst_off, all_of(TOLERANCE));
            /* What is left after this step: its square, and a share, as of the step before, by what does not steer. */
            Real left_off = worst_off * within(worst_off / before_off, LEAST_SHARE, 1.0);
            last = full & below(left_off, all_of(STRONG_NEARLY)) & below(more(more(most, biggest), reach), all_of(SQUARES_AWAY));
            before_off = more(worst_off, all_of(1e-300));
        } else {
            r->change = r->drift_off;
            for (int k = 0; k < n; k++) r->change += r->reach[k] * r->step[k];
            alpha = less(alpha, (2.0 * r->strength + 0.02) / more(size_of(r->change), all_of(1e-300)));
            full = ~below(alpha, all_of(1.0));
            Real off = size_of(r->gap), all = r->strength + 1e-6;
            last = full & below(most, all_of(NEARLY)) & below(off, NEARLY * all) & below(biggest, all_of(100.0 * NEARLY));
            done = exact ? below(most, all_of(TOLERANCE)) & below(off, 1e-10 * all) : last;
            if (r->m->pitzer) done = below(most, all_of(ROUGHLY)) & below(off, ROUGHLY * all);
        }
        Mask at_rest = np ? done : done | last;
        if (np && solids == INTERIOR) at_rest = interior_step(r, busy, done, &alpha);
        else if (np) at_rest = guessed_step(r, busy, done, last, &most, &alpha);
        for (int j = 0; j < n; j++) r->lam[j] = where(busy, more(r->lam[j] + alpha * r->step[j], all_of(LN_TINY)), r->lam[j]);
        if (strong) {
            for (int s = 0; s < r->ns; s++) r->u[s] = where(busy, within(r->u[s] + alpha * r->du[s], LEAST_LN, 4.0), r->u[s]);
        } else {
            r->strength = where(busy, within(r->strength + alpha * r->change, 1e-10, 60.0), r->strength);
        }
        rest |= busy & at_rest;
        busy &= ~at_rest;
    }
    *lanes = rest;
}

/* --- rows from beginning to end ---------------------------------------------------------------------------------- */

HOT static void constants_at(Room *r, const Given *given) {
    const Model *m = r->m;
    Real span = (1.0 / REFERENCE_K - 1.0 / given->t) / GAS_CONSTANT;
    if (!same_as(r->known_k, given->t))
        for (int s = 0; s < r->ns; s++) {
            r->ln_k[s] = m->ln_k[r->species[s]] + span * m->delta_h[r->species[s]];
            r->k[s] = exp_of(r->ln_k[s]);
        }
    r->known_k = given->t;
    r->a_phi = given->a * (LN10 / 3.0);
    phases_at(r, given);
    if (given->flags & HOLD_GAS) r->gas_ln_k = r->at_ln_k[m->gas], r->gas_water = m->phase_water[m->gas];
}

/* Where a solution means something: the same bounds as in speciate.py. */
WITHIN Mask sane(const Room *r) {
    Real aw = exp_of(within(r->ln_aw, LEAST_LN, MOST_LN)), ph = r->lam[r->h] * (-1.0 / LN10);
    Mask water = r->m->pitzer ? above(aw, all_of(0.03)) & below(aw, all_of(1.0005)) : whole(-1);
    return water & above(ph, all_of(-2.0)) & below(ph, all_of(16.0));
}

/* Debye and Hueckel's A and B at a temperature, as water_properties.py has them. */
static void debye_hueckel(double kelvin, double *a, double *b) {
    double density = water_density_kg_per_l(kelvin - 273.15);
    double large = -8032.5 + 4.2142e6 / kelvin + 2.1417 * kelvin;
    double permittivity = 342.79 * exp(-5.0866e-3 * kelvin + 9.4690e-7 * kelvin * kelvin) +
        (-2.0525 + 3115.9 / (-182.89 + kelvin)) * log((large + 1.01325) / (large + 1000.0));
    *a = 1.82483e6 * sqrt(density) / pow(permittivity * kelvin, 1.5);
    *b = 50.2916 * sqrt(density / (permittivity * kelvin));
}

/* Solutions like the rows, by master and species, a pointer each; NULL where there are none. */
typedef struct { const double *totals[LANES], *lam[LANES], *molality[LANES], *strength[LANES]; } Start;

/* Begins at the solutions that are like the rows, each master moved as its total is another; only in lanes where there
 * is one that lacks nothing. */
HOT static void begin_near(Room *r, const Given *given, const Start *start, Mask *lanes) {
    const Model *m = r->m;
    int n = r->n, gas = given->flags & HOLD_GAS;
    Real *moved = r->step, most = NOTHING, strength = NOTHING;
    Mask fit = *lanes;
    if (given->flags & (HOLD_PH | HOLD_ALKALINITY)) fit = whole(0);
    for (int l = 0; l < LANES; l++) {
        if (start->totals[l] == NULL) IN(fit, l) = 0;
        else AT(strength, l) = *start->strength[l];
    }
    *lanes = fit;
    if (!any(fit)) return;
    for (int j = 0; j < n; j++) {
        Real before = NOTHING, lam = NOTHING;
        for (int l = 0; l < LANES; l++)
            if (IN(fit, l)) AT(before, l) = start->totals[l][r->masters[j]], AT(lam, l) = start->lam[l][r->masters[j]];
        fit &= sound(lam);
        moved[j] = NOTHING;
        if (j != r->h && !(gas && j == r->co3)) {
            fit &= above(before, NOTHING);
            moved[j] = r->ln_total[j] - log_of(more(before, all_of(1e-300)));
            most = more(moved[j], most);
        }
        r->q[j] = lam + moved[j]; /* for now */
    }
    *lanes = fit;
    if (gas) {
        Real carbonate = r->gas_ln_k + given->ln_co2 - r->gas_nu[r->h] * r->q[r->h];
        moved[r->co3] = carbonate - r->q[r->co3], r->q[r->co3] = carbonate;
    }
    for (int j = 0; j < n; j++) r->lam[j] = where(fit, r->q[j], r->lam[j]);
    r->strength = where(fit, within(strength * exp_of(less(most, all_of(600.0))), 1e-10, 60.0), r->strength);
    if (!m->pitzer) return;
    for (int s = 0; s < r->ns; s++) {
        Real there = all_of(1e-99);
        for (int l = 0; l < LANES; l++) if (IN(fit, l)) AT(there, l) = start->molality[l][r->species[s]];
        Real u = log_of(more(there, all_of(1e-99)));
        for (int e = r->start[s]; e < r->start[s + 1]; e++) u += r->count[e] * moved[r->place[e]];
        r->u[s] = where(fit, within(u, LEAST_LN, 4.0), r->u[s]);
    }
}

/* Totals scaled towards, from a first guess: the free ion can be a tiny part of its total. */
HOT static void begin(Room *r, const Given *given, const Mask *lanes) {
    const Model *m = r->m;
    int n = r->n, gas = given->flags & HOLD_GAS;
    Real weight = NOTHING, *goal = r->shift, *most = r->reach, *lam = r->q;
    for (int j = 0; j < n; j++) {
        double z = m->charge[r->masters[j]]; /* ionic strength of the totals as if all of them were free */
        weight += 0.5 * more(r->total[j], all_of(TINY)) * z * z;
        lam[j] = r->ln_total[j] - 0.3, goal[j] = r->ln_total[j], most[j] = all_of(1.0);
    }
    lam[r->h] = given->flags & HOLD_PH ? -given->ph * LN10 : all_of(-6.8 * LN10);
    if (gas) {
        goal[r->co3] = all_of(-6.907755278982137); /* ln 1e-3 */
        lam[r->co3] = r->gas_ln_k + given->ln_co2 - r->gas_nu[r->h] * lam[r->h];
    }
    Real strength = less(weight, all_of(1.0)) + 1e-4;
    dilute_gamma(r, given, strength);
    inverse_gamma(r);
    for (int e = 0; e < r->start[r->ns]; e++) most[r->place[e]] = more(most[r->place[e]], all_of(r->count[e]));
    for (int round_ = 0; round_ < APPROACHES; round_++) {
        clear(r->sum, n);
        activities(r, lam);
        for (int s = 0; s < r->ns; s++) {
            Real c = less(product(r, s), all_of(1e80));
            for (int e = r->start[s]; e < r->start[s + 1]; e++) r->sum[r->place[e]] += c * r->count[e];
        }
        for (int j = 0; j < n; j++)
            if (j != r->h) lam[j] -= (log_of(more(r->sum[j], all_of(1e-300))) - goal[j]) / most[j];
    }
    for (int j = 0; j < n; j++) r->lam[j] = where(*lanes, more(lam[j], all_of(LN_TINY)), r->lam[j]);
    r->strength = where(*lanes, strength, r->strength);
}

/* Pitzer: nothing steers until its amount is looked at. */
static void none_steers(Room *r) {
    r->nsteer = r->ncolumns = 0;
    for (int s = 0; s < r->ns; s++) r->steers[s] = -1;
    for (int j = 0; j < r->n; j++) r->column_of[j] = -1;
}

/* Amounts of the strong model as the dilute one has them. */
HOT static void strong_begins(Room *r, const Given *given, const Mask *lanes) {
    dilute_amounts(r, given);
    for (int s = 0; s < r->ns; s++) r->u[s] = where(*lanes, log_of(more(r->c[s], all_of(1e-99))), r->u[s]);
    none_steers(r);
}

/* Solutions without solids, in these lanes; where they were found. */
static void dissolve(Room *r, const double *const total[LANES], const Given *given, const Start *start, Mask *lanes) {
    const Model *m = r->m;
    Mask asked = *lanes, near = asked;
    load(r, total);
    constants_at(r, given);
    if (m->pitzer) strong_at(r, given), none_steers(r);
    begin_near(r, given, start, &near);
    if (any(near)) {
        iterate(r, given, &near, m->pitzer, 0, NEAR_ROUNDS);
        near &= sane(r);
    }
    Mask far = asked & ~near;
    if (any(far)) {
        Mask fine = far;
        begin(r, given, &far);
        iterate(r, given, &fine, 0, 0, DILUTE_ROUNDS);
        if (m->pitzer) {
            strong_begins(r, given, &far);
            fine = far;
            iterate(r, given, &fine, 1, 0, STRONG_ROUNDS);
        }
        near |= fine;
    }
    *lanes = near;
}

/* What is found of every row. converged: 1, 0 where the row was not found, NO_SOLUTION where it was none to begin with. */
#define NO_SOLUTION -1
typedef struct { double *totals, *molality, *ln_activity, *water, *strength, *index, *solid; int *converged; } Out;

static int possible_phase(const Room *r, int phase) {
    const double *nu = r->m->phase_nu + (size_t)phase * (size_t)r->m->N;
    for (int j = 0; j < r->m->N; j++) if (nu[j] != 0.0 && r->of_master[j] < 0) return 0;
    return 1;
}

HOT static void strong_again(Room *r) {
    for (int s = 0; s < r->ns; s++) r->c[s] = exp_of(within(r->u[s], LEAST_LN, MOST_LN));
    strong_gamma(r, 0);
}

/* Results of these lanes as they stand, and whether water is sane there. */
static void collect(Room *r, const Given *given, const double *const total[LANES], const Mask *lanes, const Out *out,
                    const int *rows, Mask *water) {
    const Model *m = r->m;
    size_t N = (size_t)m->N, S = (size_t)m->S, P = (size_t)m->P;
    if (m->pitzer) strong_again(r);
    else dilute_amounts(r, given);
    *water = sane(r);
    Real charged = NOTHING, carbonate = NOTHING;
    for (int s = 0; s < r->ns; s++) charged += r->c[s] * r->z2[s];
    for (int i = 0; i < r->nphases; i++) {
        int p = r->made[i];
        Real over = r->ln_aw * m->phase_water[p] - r->at_ln_k[p];
        for (int e = r->made_start[i]; e < r->made_start[i + 1]; e++) over += r->made_count[e] * r->lam[r->made_place[e]];
        r->nu_step[i] = over * (1.0 / LN10); /* for now */
    }
    clear(r->sum, r->n);
    if (given->flags)
        for (int s = 0; s < r->ns; s++)
            for (int e = r->start[s]; e < r->start[s + 1]; e++) r->sum[r->place[e]] += r->c[s] * r->count[e];
    if (given->flags & HOLD_GAS) {
        carbonate = r->sum[r->co3];
        for (int p = 0; p < r->np; p++) carbonate += r->x[p] * r->pnu[p * r->n + r->co3];
    }
    for (int l = 0; l < LANES; l++) {
        if (!IN(*lanes, l)) continue;
        size_t row = (size_t)rows[l];
        double *molality = out->molality + row * S, *lam = out->ln_activity + row * N, *totals = out->totals + row * N;
        double *index = out->index + row * P;
        memset(molality, 0, sizeof(double) * S);
        for (size_t j = 0; j < N; j++) lam[j] = -INFINITY, totals[j] = total[l][j];
        for (int j = 0; j < r->n; j++) lam[r->masters[j]] = AT(r->lam[j], l);
        for (int s = 0; s < r->ns; s++) molality[r->species[s]] = AT(r->c[s], l);
        out->strength[row] = 0.5 * AT(charged, l);
        out->water[row] = exp(AT(r->ln_aw, l));
        for (size_t p = 0; p < P; p++) index[p] = -INFINITY;
        for (int i = 0; i < r->nphases; i++) index[r->made[i]] = AT(r->nu_step[i], l);
        if (given->flags & HOLD_PH) for (int j = 0; j < r->n; j++) totals[r->masters[j]] = AT(r->sum[j], l);
        if (given->flags & HOLD_GAS) totals[m->co3] = AT(carbonate, l), totals[m->h] += 2.0 * AT(carbonate, l);
    }
}

/* What must settle in a lane of salts that are far over their solubility, the furthest first; whether anything. */
static int settle_ahead(const Room *r, int lane, const int *wanted, int count, const double *total, double *ahead, double *left) {
    const Model *m = r->m;
    int some = 0;
    memcpy(left, total, sizeof(double) * (size_t)m->N);
    memset(ahead, 0, sizeof(double) * (size_t)m->P);
    for (int round_ = 0; round_ < m->curves; round_++) {
        int worst = -1;
        double furthest = FAR_OVER, most_of = 0.0, full = 0.0;
        for (int i = 0; i < m->curves; i++) {
            int phase = m->curve_of[i], asked = 0;
            const double *nu = m->phase_nu + (size_t)phase * (size_t)m->N;
            double most = INFINITY, there = AT(r->at_saturated[i], lane);
            for (int e = m->phase_in_start[phase]; e < m->phase_in_start[phase + 1] && most > 0.0; e++) {
                int j = m->phase_in[e];
                if (nu[j] > 0.0 && j != m->h && left[j] / nu[j] < most) most = left[j] / nu[j];
            }
            if (!(most / there > furthest)) continue;
            for (int k = 0; k < count && !asked; k++) asked = wanted[k] == phase;
            if (asked) furthest = most / there, worst = i, most_of = most, full = there;
        }
        if (worst < 0) break;
        int phase = m->curve_of[worst];
        double crystal = WATER_KG_PER_MOL * m->phase_water[phase] * full;
        crystal = crystal < 0.0 ? 0.0 : crystal > 0.9 ? 0.9 : crystal;
        double x = (most_of - full) / (1.0 - crystal);
        x = x < 0.0 ? 0.0 : x > 0.98 * most_of ? 0.98 * most_of : x;
        ahead[phase] += x;
        for (int j = 0; j < m->N; j++) left[j] -= x * m->phase_nu[(size_t)phase * (size_t)m->N + (size_t)j];
        some = 1;
    }
    return some;
}

/* Rows side by side: which they are, what is given of them and what is found. */
typedef struct {
    const int *wanted;
    int count, rows[LANES];
    const double *total[LANES], *down_to[LANES]; /* NULL: down to an index of 0 */
    double *ahead[LANES], *less[LANES];
    const Out *before, *after;
    Mask own, fine; /* lanes with a row of their own; where that was solved without solids */
} Rows;

static double down_of(const Rows *rows, int lane, int wanted) {
    return rows->down_to[lane] == NULL ? 0.0 : rows->down_to[lane][wanted];
}

/* In these lanes the solids that may form, down to a saturation index each, with what there is of them; all of those
 * that are wanted, or only what is near. */
WITHIN void lay_solids(Room *r, const Given *given, const Rows *rows, Mask lanes, int all) {
    const Model *m = r->m;
    int n = r->n;
    size_t N = (size_t)m->N, P = (size_t)m->P;
    Mask some = whole(0);
    r->np = 0;
    for (int k = 0; k < rows->count; k++) {
        int phase = rows->wanted[k], p = r->np;
        if (!possible_phase(r, phase)) continue;
        const double *nu = m->phase_nu + (size_t)phase * N;
        Mask laid = whole(0), there = whole(0);
        Real x = NOTHING, cap = all_of(1.0), down = NOTHING;
        for (int l = 0; l < LANES; l++) {
            if (!IN(lanes, l)) continue;
            size_t row = (size_t)rows->rows[l];
            const double *brought = rows->before->totals + row * N;
            AT(down, l) = down_of(rows, l, k);
            double ahead = rows->ahead[l][phase], most = MOST_OF_A_SOLID;
            if (!all && rows->before->index[row * P + (size_t)phase] < AT(down, l) + FAR_BELOW_SI && ahead == 0.0) continue;
            IN(laid, l) = -1, IN(there, l) = ahead > 0.0 ? -1 : 0;
            for (int j = 0; j < n; j++) {
                double one = nu[r->masters[j]];
                if (!(one > 0.0) || j == r->h) continue;
                double there_ = brought[r->masters[j]] > TINY ? brought[r->masters[j]] : TINY;
                if (there_ / one < most) most = there_ / one;
            }
            AT(x, l) = ahead, AT(cap, l) = most;
        }
        if (!any(laid)) continue;
        r->phases[p] = phase, r->pwater[p] = m->phase_water[phase];
        r->laid[p] = laid, r->there[p] = there, r->x[p] = x, r->cap[p] = cap;
        r->pln_k[p] = r->at_ln_k[phase] + LN10 * down;
        double protons_ = protons(r, nu, given->flags);
        r->pup[p] = protons_ > 0.0 ? protons_ : 0.0, r->pdown[p] = protons_ < 0.0 ? -protons_ : 0.0;
        r->over[p] = r->ln_aw * r->pwater[p] - r->pln_k[p];
        for (int j = 0; j < n; j++) {
            r->pnu[p * n + j] = nu[r->masters[j]];
            r->over[p] += r->pnu[p * n + j] * r->lam[j];
        }
        some |= there;
        r->np++;
    }
    Mask none = lanes & ~some;
    if (any(none)) add_worst(r, &none);
}

/* Where solids' crystal water leaves some. */
WITHIN Mask leaves_water(const Room *r) {
    Real taken = NOTHING;
    for (int p = 0; p < r->np; p++) taken += r->x[p] * r->pwater[p];
    return above(1.0 - WATER_KG_PER_MOL * taken, all_of(LEAST_WATER_LEFT));
}

WITHIN Mask has_solids(const Room *r) {
    Mask some = whole(0);
    for (int p = 0; p < r->np; p++) some |= r->laid[p];
    return some;
}

WITHIN void keep_solids(Room *r, const Rows *rows, Mask lanes, Mask converged) {
    for (int l = 0; l < LANES; l++) {
        if (!IN(lanes, l)) continue;
        double *solid = rows->after->solid + (size_t)rows->rows[l] * (size_t)r->m->P;
        memset(solid, 0, sizeof(double) * (size_t)r->m->P);
        for (int p = 0; p < r->np; p++) if (IN(r->laid[p], l)) solid[r->phases[p]] = AT(r->x[p], l);
        rows->after->converged[rows->rows[l]] = IN(converged, l) != 0;
    }
}

static void same_as_before(const Model *m, const Rows *rows, int lane) {
    const Out *before = rows->before, *after = rows->after;
    size_t N = (size_t)m->N, S = (size_t)m->S, P = (size_t)m->P, row = (size_t)rows->rows[lane];
    memcpy(after->totals + row * N, before->totals + row * N, sizeof(double) * N);
    memcpy(after->molality + row * S, before->molality + row * S, sizeof(double) * S);
    memcpy(after->ln_activity + row * N, before->ln_activity + row * N, sizeof(double) * N);
    memcpy(after->index + row * P, before->index + row * P, sizeof(double) * P);
    after->water[row] = before->water[row], after->strength[row] = before->strength[row];
    after->converged[row] = before->converged[row];
}

/* Totals of the rows, those of some lanes without what settles ahead. */
WITHIN void totals_of(const Rows *rows, Mask less, const double *out[LANES]) {
    for (int l = 0; l < LANES; l++) out[l] = IN(less, l) ? rows->less[l] : rows->total[l];
}

/* Guesses which solids are there, in these lanes, and keeps what it comes to; `found` is where that came to an end. */
static void guess(Room *r, const Given *given, Rows *rows, const Mask *lanes, int all, Mask *found) {
    Mask water;
    lay_solids(r, given, rows, *lanes, all);
    *found = *lanes & has_solids(r);
    iterate(r, given, found, r->m->pitzer, GUESSED, SOLID_ROUNDS);
    *found &= leaves_water(r);
    collect(r, given, rows->total, lanes, rows->after, rows->rows, &water);
    keep_solids(r, rows, *lanes, *found & water);
}

static void some_rows(Room *r, const Given *given, Rows *rows, Start *start) {
    const Model *m = r->m;
    size_t N = (size_t)m->N, S = (size_t)m->S, P = (size_t)m->P;
    const double *totals[LANES];
    Mask water, far = whole(0), need = whole(0), fine = rows->own;
    r->np = 0;
    dissolve(r, rows->total, given, start, &fine);
    fine &= sane(r);
    collect(r, given, rows->total, &rows->own, rows->before, rows->rows, &water);
    for (int l = 0; l < LANES; l++) {
        size_t row = (size_t)rows->rows[l];
        if (!IN(rows->own, l)) continue;
        rows->before->converged[row] = IN(fine, l) != 0;
        if (IN(fine, l)) { /* whatever is looked at again starts from there */
            start->totals[l] = rows->total[l], start->strength[l] = rows->before->strength + row;
            start->lam[l] = rows->before->ln_activity + row * N, start->molality[l] = rows->before->molality + row * S;
        }
        if (rows->count == 0) continue;
        const double *index = rows->before->index + row * P;
        int over = 0, ahead = settle_ahead(r, l, rows->wanted, rows->count, rows->total[l], rows->ahead[l], rows->less[l]);
        for (int k = 0; k < rows->count; k++) over = over || index[rows->wanted[k]] > down_of(rows, l, k) + 1e-9;
        if (ahead) IN(far, l) = -1;
        if (ahead || (over && IN(fine, l))) IN(need, l) = -1;
        else same_as_before(m, rows, l);
    }
    if (!any(need)) return;
    Mask first = need & ~far, again = far, solved = whole(0);
    if (any(first)) {
        guess(r, given, rows, &first, 0, &solved);
        for (int l = 0; l < LANES; l++) { /* whether one that was left out would form after all */
            if (!IN(solved, l)) continue;
            const double *now = rows->after->index + (size_t)rows->rows[l] * P;
            for (int k = 0; k < rows->count; k++)
                if (now[rows->wanted[k]] > down_of(rows, l, k) + SATURATED) IN(again, l) = -1;
        }
        solved &= ~again;
    }
    Mask open = first & ~solved & ~again & has_solids(r);
    if (any(again)) {
        Mask found = again;
        totals_of(rows, far, totals);
        dissolve(r, totals, given, start, &found);
        load(r, rows->total); /* the same masters: nothing settles wholly */
        guess(r, given, rows, &again, 1, &found);
        solved |= found, open |= again & ~found & has_solids(r);
    }
    if (!any(open)) return;
    /* Where guessing goes round in a circle, as where solids take nearly all of something. */
    Mask found = open;
    totals_of(rows, far, totals);
    dissolve(r, totals, given, start, &found);
    load(r, rows->total);
    lay_solids(r, given, rows, open, 1);
    r->narrow = all_of(1e-3);
    for (int p = 0; p < r->np; p++) {
        r->x[p] = 1e-3 * r->cap[p];
        r->under[p] = more(-r->over[p], all_of(0.3));
    }
    found = open;
    iterate(r, given, &found, m->pitzer, INTERIOR, INTERIOR_ROUNDS);
    found &= leaves_water(r);
    collect(r, given, rows->total, &open, rows->after, rows->rows, &water);
    keep_solids(r, rows, open, found & water);
    if (!any(found)) return;
    /* With what it found to be there the guess is right, and exact. */
    for (int p = 0; p < r->np; p++) {
        r->there[p] = r->laid[p] & above(r->x[p], 1e-6 * r->cap[p]);
        r->x[p] = where(r->there[p], r->x[p], NOTHING);
    }
    iterate(r, given, &found, m->pitzer, GUESSED, SOLID_ROUNDS);
    found &= leaves_water(r) & sane(r);
    if (!any(found)) return;
    collect(r, given, rows->total, &found, rows->after, rows->rows, &water);
    keep_solids(r, rows, found, found);
}

/* --- how far saturation indices can be off (doubt.py) ------------------------------------------------------------ */

/* The linear system n by n with `columns` right sides, in place; 0 where it is singular. */
static int solve(double *a, double *b, int n, int columns) {
    for (int k = 0; k < n; k++) {
        int best = k;
        for (int i = k + 1; i < n; i++) if (fabs(a[i * n + k]) > fabs(a[best * n + k])) best = i;
        double pivot = a[best * n + k];
        if (!(fabs(pivot) > 0.0) || !isfinite(pivot)) return 0;
        if (best != k) {
            for (int j = k; j < n; j++) { double x = a[k * n + j]; a[k * n + j] = a[best * n + j]; a[best * n + j] = x; }
            for (int j = 0; j < columns; j++) {
                double x = b[k * columns + j]; b[k * columns + j] = b[best * columns + j]; b[best * columns + j] = x;
            }
        }
        double scale = 1.0 / pivot;
        for (int i = k + 1; i < n; i++) {
            double f = a[i * n + k] * scale;
            if (f == 0.0) continue;
            for (int j = k + 1; j < n; j++) a[i * n + j] -= f * a[k * n + j];
            for (int j = 0; j < columns; j++) b[i * columns + j] -= f * b[k * columns + j];
        }
    }
    for (int k = n - 1; k >= 0; k--) {
        double scale = 1.0 / a[k * n + k];
        for (int j = 0; j < columns; j++) {
            double x = b[k * columns + j];
            for (int i = k + 1; i < n; i++) x -= a[k * n + i] * b[i * columns + j];
            b[k * columns + j] = x * scale;
        }
    }
    return 1;
}

/* Standard errors of the saturation index of `count` phases in one Pitzer solution, into `out`; not numbers where the
 * balances are singular. work: n x n + n x count + n + 3 S + S x S doubles, places:
 * 2 N + S integers. */
static void sigma_of_row(const Model *m, const double *molality, const double *ln_activity, double kelvin,
                         const int *wanted, const int *salts, int count, double *work, int *places, double *out) {
    int N = m->N, S = m->S, n = 0, c = 0, *masters = places, *counts = places + N;
    for (int j = 0; j < N; j++) if (isfinite(ln_activity[j])) masters[n++] = j;
    double *a = work, *b = a + n * n, *scale = b + n * count, *own = scale + n;
    double *weight = own + S, *equivalents = weight + S, *variance = equivalents + S;
    int *of_master = counts + S;
    for (int j = 0; j < N; j++) of_master[j] = -1;
    for (int j = 0; j < n; j++) of_master[masters[j]] = j;
    memset(a, 0, sizeof(double) * (size_t)(n * n + n * count));
    for (int s = 0; s < S; s++) {
        if (!(molality[s] > 0.0)) continue;
        for (int e = m->in_start[s]; e < m->in_start[s + 1]; e++) {
            double left = molality[s] * m->times[e], *row = a + of_master[m->in[e]] * n;
            for (int f = m->in_start[s]; f < m->in_start[s + 1]; f++) row[of_master[m->in[f]]] += left * m->times[f];
        }
        if (molality[s] > SIGMA_COUNTS) own[c] = molality[s], equivalents[c] = molality[s] * fabs(m->charge[s]), counts[c++] = s;
    }
    for (int j = 0; j < n; j++) scale[j] = 1.0 / sqrt(a[j * n + j] > 1e-90 ? a[j * n + j] : 1e-90);
    for (int j = 0; j < n; j++) {
        for (int k = 0; k < n; k++) a[j * n + k] *= scale[j] * scale[k];
        a[j * n + j] += 1e-12;
    }
    for (int p = 0; p < count; p++)
        for (int e = m->phase_in_start[wanted[p]]; e < m->phase_in_start[wanted[p] + 1]; e++) {
            int j = of_master[m->phase_in[e]];
            if (j >= 0) b[j * count + p] = m->phase_times[e] * scale[j];
        }
    if (!solve(a, b, n, count)) {
        for (int p = 0; p < count; p++) out[p] = NAN;
        return;
    }
    double away = fabs(kelvin - REFERENCE_K);
    for (int i = 0; i < c; i++) for (int k = i; k < c; k++) {
        size_t pair = (size_t)counts[i] * (size_t)S + (size_t)counts[k];
        double scarcer = equivalents[i] < equivalents[k] ? equivalents[i] : equivalents[k];
        double beyond = scarcer / m->fitted_up_to[pair] - 1.0;
        beyond = beyond > 0.0 ? SIGMA_BEYOND * beyond : 0.0;
        double far = away * m->sigma_per_c[pair], error = m->sigma[pair];
        /* Of two that differ both orders count, and each by half. */
        variance[i * c + k] = (error * error + far * far + beyond * beyond) * (i == k ? 1.0 : 4.0);
    }
    for (int p = 0; p < count; p++) {
        double water = 0.5 * WATER_KG_PER_MOL * m->phase_water[wanted[p]], total = 0.0;
        for (int i = 0; i < c; i++) {
            double moved = 0.0;
            for (int e = m->in_start[counts[i]]; e < m->in_start[counts[i] + 1]; e++) {
                int j = of_master[m->in[e]];
                moved += b[j * count + p] * scale[j] * m->times[e];
            }
            weight[i] = own[i] * (moved - water); /* crystal water: the water's activity moves too */
        }
        for (int i = 0; i < c; i++) for (int k = i; k < c; k++) {
            /* A salt whose constant was found with the same parameters does not feel those of its own ions. */
            if (salts[p] && weight[i] > SIGMA_OWN && weight[k] > SIGMA_OWN) continue;
            double amplitude = weight[i] * own[k] + own[i] * weight[k];
            total += amplitude * amplitude * variance[i * c + k];
        }
        out[p] = sqrt(total) / LN10;
    }
}

/* --- Python's side ----------------------------------------------------------------------------------------------- */

static double *doubles(PyObject *dict, const char *name, Py_buffer *view, int *held, int access) {
    PyObject *item = PyDict_GetItemString(dict, name);
    if (item == NULL || item == Py_None) return NULL;
    if (PyObject_GetBuffer(item, view, PyBUF_C_CONTIGUOUS | PyBUF_FORMAT | access) != 0) { PyErr_Clear(); return NULL; }
    ++*held;
    return view->buf;
}

/* A row, and what makes rows go side by side: which masters are there; those of one temperature after each other. */
typedef struct { uint64_t masters; double celsius; int row; } Alike;

static Alike alike(const Model *m, const double *total, double celsius, int row) {
    Alike out = {0, celsius, row};
    for (int j = 0; j < m->N; j++) if (total[j] > 0.0 || j == m->h) out.masters |= (uint64_t)1 << j;
    return out;
}

static int by_likeness(const void *one, const void *other) {
    const Alike *a = one, *b = other;
    if (a->masters != b->masters) return a->masters < b->masters ? -1 : 1;
    if (a->celsius != b->celsius) return a->celsius < b->celsius ? -1 : 1;
    return a->row - b->row;
}

#define BUFFERS 31

/* What Python handed over for a work, held until it is done. */
typedef struct {
    Work work; /* comes first */
    const Model *m;
    PyObject *capsule;
    Py_buffer views[BUFFERS];
    int used;
    int (*became)(const void *); /* what to say of it at its end */
} Task;

/* Rows to be solved: a piece is those that go side by side. */
typedef struct {
    Task task; /* comes first */
    int flags, count, size;
    double *totals, *celsius, *ph, *alkalinity, *co2, *down_to;
    double *start_totals, *start_lam, *start_molality, *start_strength;
    int *wanted, *start_at; /* which of the solutions like them each row starts from; NULL: as they stand */
    Out before, after;
    Alike *order;
    int *firsts;  /* where in the order each piece begins, and the end */
    int *same_as; /* which earlier row each is the same as; itself where none */
} Equilibria;

/* Solves rows that go side by side. */
static void solve_piece(Work *work, int k, char *area, int is_new) {
    const Equilibria *e = (Equilibria *)work;
    const Model *m = e->task.m;
    size_t N = (size_t)m->N, S = (size_t)m->S, P = (size_t)m->P, own = (sizeof(Room) + ALIGNED - 1) & ~(size_t)(ALIGNED - 1);
    char *begins = area + (ALIGNED - (uintptr_t)area % ALIGNED);
    Room *r = (Room *)(void *)begins;
    if (is_new) {
        memset(r, 0, sizeof(Room));
        lay_out(r, m, begins + own);
        for (int s = 0; s < m->S; s++) r->nobody[s] = -1;
        r->known_n = -1, r->known_strong = r->known_k = r->at_k = all_of(-1.0);
    }
    double *lanes = (double *)(void *)(area + work->room) - LANES * (P + N);
    Rows rows = {.wanted = e->wanted, .count = e->count, .before = &e->before, .after = &e->after, .own = whole(0)};
    Given given = {.flags = e->flags};
    Start start = {{NULL}, {NULL}, {NULL}, {NULL}};
    int next = e->firsts[k], end = e->firsts[k + 1];
    for (int l = 0; l < LANES; l++) { /* lanes without a row of their own do as the last one */
        if (next < end) IN(rows.own, l) = -1, next++;
        size_t row = (size_t)e->order[next - 1].row;
        rows.rows[l] = (int)row, rows.total[l] = e->totals + row * N;
        rows.down_to[l] = e->down_to ? e->down_to + row * (size_t)e->count : NULL;
        rows.ahead[l] = lanes + (size_t)l * (P + N), rows.less[l] = rows.ahead[l] + P;
        AT(given.t, l) = e->celsius[row] + 273.15;
        debye_hueckel(e->celsius[row] + 273.15, &AT(given.a, l), &AT(given.b, l));
        AT(given.ph, l) = e->ph ? e->ph[row] : 0.0, AT(given.alkalinity, l) = e->alkalinity ? e->alkalinity[row] : 0.0;
        AT(given.ln_co2, l) = e->co2 ? log(e->co2[row]) : 0.0;
        if (e->start_totals) {
            size_t at = e->start_at ? (size_t)e->start_at[row] : row;
            start.totals[l] = e->start_totals + at * N, start.lam[l] = e->start_lam + at * N;
            start.molality[l] = e->start_molality + at * S, start.strength[l] = e->start_strength + at;
        }
    }
    gather(r, rows.total[0], e->flags);
    some_rows(r, &given, &rows, &start);
}

/* A row's totals as they are solved, into `own`: the carbonate that an alkalinity leaves is found, and what a gas brings is
 * counted at the end; whether it is a solution at all. */
static int row_of(const Equilibria *e, size_t row, double *own) {
    const Model *m = e->task.m;
    memcpy(own, e->totals + row * (size_t)m->N, sizeof(double) * (size_t)m->N);
    if (e->alkalinity) own[m->co3] = e->alkalinity[row] < 1e-9 ? 1e-9 : e->alkalinity[row];
    for (int j = 0; j < m->N; j++) if (!isfinite(own[j]) || !(own[j] >= 0.0 || j == m->h)) return 0;
    if (e->co2) own[m->h] -= 2.0 * own[m->co3], own[m->co3] = TINY;
    return isfinite(e->celsius[row]);
}

/* Whether two rows are the same solution: all that is given of them, but where they start. */
static int same_row(const Equilibria *e, const double *own, int one, int other) {
    size_t N = (size_t)e->task.m->N, count = (size_t)e->count, i = (size_t)one, k = (size_t)other;
    if (memcmp(own + i * N, own + k * N, sizeof(double) * N) || e->celsius[i] != e->celsius[k]) return 0;
    if (e->ph && e->ph[i] != e->ph[k]) return 0;
    if (e->alkalinity && e->alkalinity[i] != e->alkalinity[k]) return 0;
    if (e->co2 && e->co2[i] != e->co2[k]) return 0;
    return !e->down_to || !memcmp(e->down_to + i * count, e->down_to + k * count, sizeof(double) * count);
}

/* The earlier row that a row is the same as, or itself, which is put into the table then: `size` places, a power of 2. */
static int earlier_row(const Equilibria *e, const double *own, int row, int *table, size_t size) {
    size_t N = (size_t)e->task.m->N;
    uint64_t hash = 0, bits;
    for (size_t j = 0; j <= N; j++) {
        memcpy(&bits, j < N ? own + (size_t)row * N + j : e->celsius + row, sizeof bits);
        hash = (hash ^ bits) * 0x9e3779b97f4a7c15u;
        hash ^= hash >> 29;
    }
    for (size_t at = hash & (size - 1);; at = (at + 1) & (size - 1)) {
        if (table[at] < 0) return table[at] = row;
        if (same_row(e, own, row, table[at])) return table[at];
    }
}

static void copy_row(const Model *m, const Out *out, size_t to, size_t from) {
    size_t N = sizeof(double) * (size_t)m->N, S = sizeof(double) * (size_t)m->S, P = sizeof(double) * (size_t)m->P;
#define COPY(field, bytes) memcpy((char *)out->field + to * (bytes), (char *)out->field + from * (bytes), bytes)
    COPY(totals, N); COPY(molality, S); COPY(ln_activity, N); COPY(index, P);
    if (out->solid) COPY(solid, P);
#undef COPY
    out->water[to] = out->water[from], out->strength[to] = out->strength[from];
    out->converged[to] = out->converged[from];
}

/* What is said of a row that is no solution. */
static void leave_row(const Model *m, const Out *out, size_t row, const double *totals) {
    size_t N = (size_t)m->N, S = (size_t)m->S, P = (size_t)m->P;
    memcpy(out->totals + row * N, totals + row * N, sizeof(double) * N);
    memset(out->molality + row * S, 0, sizeof(double) * S);
    for (size_t j = 0; j < N; j++) out->ln_activity[row * N + j] = -INFINITY;
    for (size_t p = 0; p < P; p++) out->index[row * P + p] = -INFINITY;
    out->water[row] = 1.0, out->strength[row] = 0.0, out->converged[row] = NO_SOLUTION;
}

/* Phases whose index can be off in some rows: a piece is some of the rows. */
#define ROWS_OF_SIGMA 8
typedef struct {
    Task task; /* comes first */
    int size, count;
    double *molality, *ln_activity, *kelvin, *out;
    int *wanted, *salts;
} Sigma;

static void sigma_piece(Work *work, int k, char *room, int is_new) {
    const Sigma *g = (Sigma *)work;
    const Model *m = g->task.m;
    (void)is_new;
    size_t N = (size_t)m->N, S = (size_t)m->S, P = (size_t)g->count;
    double *doubles_ = (double *)(void *)room;
    int *places = (int *)(void *)(doubles_ + (N * N + N * P + N + 3 * S + S * S + 1));
    for (int row = k * ROWS_OF_SIGMA; row < g->size && row < (k + 1) * ROWS_OF_SIGMA; row++)
        sigma_of_row(m, g->molality + (size_t)row * S, g->ln_activity + (size_t)row * N, g->kelvin[row], g->wanted,
                     g->salts, g->count, doubles_, places, g->out + (size_t)row * P);
}

/* Room for a task and what comes after it; NULL with an error where there is none. */
static void *new_task(size_t bytes, PyObject *capsule) {
    const Model *m = PyCapsule_GetPointer(capsule, "pourcheck.kernel");
    Task *task = m == NULL ? NULL : calloc(1, bytes);
    if (task == NULL) return m == NULL ? NULL : PyErr_NoMemory();
    task->m = m, task->capsule = capsule;
    return task;
}

/* Waits for a work, or ends it where it is not wanted any more, and hands back what Python handed over; what it says at
 * its end. */
static int end_task(Task *task, int wanted) {
    int said = 0;
    Py_BEGIN_ALLOW_THREADS
    end_work(&task->work, wanted);
    if (wanted && task->became) said = task->became(task);
    Py_END_ALLOW_THREADS
    for (int i = 0; i < task->used; i++) PyBuffer_Release(task->views + i);
    Py_DECREF(task->capsule);
    free(task);
    return said;
}

/* The destructor of what was begun and never asked for. */
static void never_asked(PyObject *begun) {
    Task *task = PyCapsule_GetPointer(begun, "pourcheck.begun");
    if (task != NULL) end_task(task, 0);
}

/* Begins a task that holds its arrays, on so many further threads; NULL with an error where it cannot, or where an array
 * is missing. */
static PyObject *begin_task(Task *task, int complete, int threads) {
    if (complete && begin_work(&task->work, threads)) {
        Py_INCREF(task->capsule);
        PyObject *begun = PyCapsule_New(task, "pourcheck.begun", never_asked);
        if (begun == NULL) end_task(task, 0);
        return begun;
    }
    for (int i = 0; i < task->used; i++) PyBuffer_Release(task->views + i);
    free(task);
    if (complete) return PyErr_NoMemory();
    PyErr_SetString(PyExc_TypeError, "an array is missing");
    return NULL;
}

#define GET(name) doubles(rows, name, task->views + task->used, &task->used, 0)
#define PUT(name) doubles(rows, name, task->views + task->used, &task->used, PyBUF_WRITABLE)

/* Rows that are the same as others become the same. What became of rows: SOME_LOST where one was not found or is no
 * solution, SOME_FORMED where solids made a difference. */
#define SOME_LOST 1
#define SOME_FORMED 2
static int became(const void *task) {
    const Equilibria *e = task;
    for (int row = 0; row < e->size; row++) {
        if (e->same_as[row] == row) continue;
        copy_row(e->task.m, &e->before, (size_t)row, (size_t)e->same_as[row]);
        if (e->count) copy_row(e->task.m, &e->after, (size_t)row, (size_t)e->same_as[row]);
    }
    int out = 0, *before = e->before.converged, *after = e->after.converged;
    size_t solids = (size_t)e->size * (size_t)e->task.m->P;
    for (int row = 0; row < e->size; row++) {
        if (before[row] != 1 || (e->count && after[row] != 1)) out |= SOME_LOST;
        if (e->count && after[row] != before[row]) out |= SOME_FORMED;
    }
    for (size_t i = 0; e->count && i < solids && !(out & SOME_FORMED); i++)
        if (e->after.solid[i] != 0.0) out |= SOME_FORMED;
    return out;
}

/* equilibria(model, rows, size, count, flags, threads) -> begun, of every array of the dictionary `rows`, in place. */
static PyObject *equilibria(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *capsule, *rows;
    int flags, count, size, threads;
    if (!PyArg_ParseTuple(args, "OO!iiii", &capsule, &PyDict_Type, &rows, &size, &count, &flags, &threads)) return NULL;
    const Model *m = PyCapsule_GetPointer(capsule, "pourcheck.kernel");
    if (m == NULL) return NULL;
    size_t N = (size_t)m->N, P = (size_t)m->P, many = (size_t)size + 1, places = 4;
    while (places < 2 * many) places *= 2;
    size_t bytes = sizeof(Equilibria) + many * (sizeof(double) * N + sizeof(Alike) + 2 * sizeof(int));
    Equilibria *e = new_task(bytes + places * sizeof(int), capsule);
    if (e == NULL) return NULL;
    Task *task = &e->task;
    double *own = (double *)(void *)(e + 1);
    e->flags = flags, e->count = count, e->size = size;
    e->order = (Alike *)(void *)(own + many * N), e->firsts = (int *)(void *)(e->order + many);
    e->same_as = e->firsts + many;
    int *table = e->same_as + many;
    e->totals = GET("given"), e->celsius = GET("celsius"), e->ph = GET("ph"), e->alkalinity = GET("alkalinity");
    e->co2 = GET("co2"), e->down_to = GET("down_to"), e->wanted = (int *)GET("wanted");
    e->start_lam = GET("start_lam"), e->start_molality = GET("start_molality");
    e->start_strength = GET("start_strength"), e->start_totals = GET("start_totals");
    e->start_at = (int *)GET("start_at");
    if (!e->start_lam || !e->start_molality || !e->start_strength) e->start_totals = NULL;
    const int *leave_out = (int *)GET("leave_out");
    e->before = (Out){PUT("totals"), PUT("molality"), PUT("ln_activity"), PUT("water"), PUT("strength"), PUT("index"),
                      NULL, (int *)PUT("converged")};
    e->after = (Out){PUT("totals_after"), PUT("molality_after"), PUT("ln_activity_after"), PUT("water_after"),
                     PUT("strength_after"), PUT("index_after"), PUT("solid_after"), (int *)PUT("converged_after")};
    const Out *before = &e->before, *after = &e->after;
    int complete = e->totals && e->celsius && before->totals && before->molality && before->ln_activity &&
        before->water && before->strength && before->index && before->converged && (!(flags & HOLD_PH) || e->ph) &&
        (!(flags & HOLD_ALKALINITY) || e->alkalinity) && (!(flags & HOLD_GAS) || e->co2) &&
        (count == 0 || (e->wanted && after->totals && after->molality && after->ln_activity && after->water &&
                        after->strength && after->index && after->solid && after->converged));
    if (complete) {
        size_t room = (sizeof(Room) + ALIGNED - 1) & ~(size_t)(ALIGNED - 1);
        Room sized;
        bytes = room + lay_out(&sized, m, (char *)ALIGNED) + sizeof(double) * LANES * (P + N) + ALIGNED;
        task->work.room = (bytes + ALIGNED - 1) & ~(size_t)(ALIGNED - 1);
        task->work.piece = solve_piece, task->became = became;
        int there = 0, pieces = 0;
        memset(table, -1, places * sizeof(int));
        for (int row = 0; row < size; row++) {
            double *totals = own + (size_t)row * N;
            e->same_as[row] = row;
            if (row_of(e, (size_t)row, totals) && !(leave_out && leave_out[row])) {
                e->same_as[row] = earlier_row(e, own, row, table, places);
                if (e->same_as[row] == row) e->order[there++] = alike(m, totals, e->celsius[row], row);
                continue;
            }
            leave_row(m, before, (size_t)row, e->totals);
            if (count) leave_row(m, after, (size_t)row, e->totals);
        }
        e->totals = own;
        qsort(e->order, (size_t)there, sizeof(Alike), by_likeness);
        for (int row = 0; row < there; pieces++) {
            int first = e->firsts[pieces] = row++;
            while (row < there && row < first + LANES && e->order[row].masters == e->order[first].masters) row++;
        }
        e->firsts[pieces] = there;
        task->work.pieces = pieces;
    }
    return begin_task(task, complete, threads);
}

/* si_sigma(model, rows, size, count, threads) -> begun, into "sigma" of the dictionary `rows`. */
static PyObject *si_sigma(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *capsule, *rows;
    int size, count, threads;
    if (!PyArg_ParseTuple(args, "OO!iii", &capsule, &PyDict_Type, &rows, &size, &count, &threads)) return NULL;
    Sigma *g = new_task(sizeof(Sigma), capsule);
    if (g == NULL) return NULL;
    Task *task = &g->task;
    size_t N = (size_t)task->m->N, S = (size_t)task->m->S, P = (size_t)count;
    task->work.room = sizeof(double) * (N * N + N * P + N + 3 * S + S * S + 1) + sizeof(int) * (2 * N + S + 1);
    task->work.room = (task->work.room + ALIGNED - 1) & ~(size_t)(ALIGNED - 1);
    task->work.piece = sigma_piece;
    task->work.pieces = (size + ROWS_OF_SIGMA - 1) / ROWS_OF_SIGMA;
    g->size = size, g->count = count;
    g->molality = GET("molality"), g->ln_activity = GET("ln_activity"), g->kelvin = GET("kelvin"), g->out = PUT("sigma");
    g->wanted = (int *)GET("wanted"), g->salts = (int *)GET("salts");
    int complete = g->molality && g->ln_activity && g->kelvin && g->out && g->wanted && g->salts && task->m->pitzer;
    return begin_task(task, complete, threads);
}

#undef GET
#undef PUT

/* finish(begun) -> what became of it, once; its arrays are filled then. */
static PyObject *finish(PyObject *self, PyObject *begun) {
    (void)self;
    Task *task = PyCapsule_GetPointer(begun, "pourcheck.begun");
    if (task == NULL || PyCapsule_SetDestructor(begun, NULL) != 0 || PyCapsule_SetName(begun, "pourcheck.ended") != 0)
        return NULL;
    return PyLong_FromLong(end_task(task, 1));
}

/* --- volumes (volumes.h) ------------------------------------------------------------------------------------------ */

static void forget_volumes(PyObject *capsule) {
    Volumes *v = PyCapsule_GetPointer(capsule, "pourcheck.volumes");
    void *all[] = {v->place, v->ladder, v->weak, v->charge, v->released, v->recipe_start, v->recipe, v->times, v->mass,
        v->density, v->limits};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) free(all[i]);
    free(v);
}

/* prepare_volumes(tables) -> the tables as the kernel keeps them */
static PyObject *prepare_volumes(PyObject *self, PyObject *tables) {
    (void)self;
    int count, *places = NULL;
    double *recipes = NULL;
    if (!PyDict_Check(tables)) return PyErr_Format(PyExc_TypeError, "tables are a dictionary");
    Volumes *v = calloc(1, sizeof *v);
    if (v == NULL) return PyErr_NoMemory();
    PyObject *capsule = PyCapsule_New(v, "pourcheck.volumes", forget_volumes);
    if (capsule == NULL) { free(v); return NULL; }
#define TAKE(into, name, type, then) do { into = copied(tables, name, type, &count); \
        if (into == NULL) { Py_DECREF(capsule); free(places); return NULL; } then; } while (0)
    TAKE(v->place, "place", 'i', v->masters = count);
    TAKE(v->charge, "charge", 'd', v->names = count);
    TAKE(v->ladder, "ladder", 'i', v->ladders = count / 2);
    TAKE(v->released, "released", 'd', );
    TAKE(v->weak, "weak", 'i', v->weaks = count / 2);
    TAKE(v->mass, "mass", 'd', v->solutes = count);
    TAKE(v->density, "density", 'd', );
    TAKE(v->limits, "limits", 'd', );
    TAKE(places, "places", 'i', );
    if (count == 8) {
        v->cations = places[0], v->anions = places[1], v->hydrogen = places[2], v->sodium = places[3];
        v->chloride = places[4], v->pyrophosphate = places[5], v->phosphate = places[6], v->hydroxide = places[7];
    }
    TAKE(recipes, "recipes", 'd', );
#undef TAKE
    int rows = v->solutes > 0 ? count / v->solutes : 0, fits = v->names <= MOST_NAMES && v->solutes <= MOST_SOLUTES;
    int found = fits && sparse(recipes, rows, v->solutes, &v->recipe_start, &v->recipe, &v->times);
    free(recipes);
    free(places);
    if (found) return capsule;
    Py_DECREF(capsule);
    if (fits) return PyErr_NoMemory();
    return PyErr_Format(PyExc_ValueError, "there are more ions or solutes than the kernel has room for");
}

/* fill(volumes, rows, size, filled_up): into "poured" and "liters" of the dictionary `rows`. */
static PyObject *fill(PyObject *self, PyObject *args) {
    (void)self;
    PyObject *capsule, *rows;
    int size, filled_up;
    if (!PyArg_ParseTuple(args, "OO!ii", &capsule, &PyDict_Type, &rows, &size, &filled_up)) return NULL;
    const Volumes *v = PyCapsule_GetPointer(capsule, "pourcheck.volumes");
    if (v == NULL) return NULL;
    Py_buffer views[BUFFERS];
    int used = 0;
#define GET(name) doubles(rows, name, views + used, &used, 0)
#define PUT(name) doubles(rows, name, views + used, &used, PyBUF_WRITABLE)
    double *moles = GET("moles"), *celsius = GET("celsius"), *brought = GET("brought"), *other = GET("other");
    double *wanted = GET("wanted"), *displaced = GET("displaced"), *poured = PUT("poured"), *liters = PUT("liters");
#undef GET
#undef PUT
    int complete = moles && celsius && brought && other && wanted && displaced && poured && liters;
    Dissolved dissolved;
    for (int row = 0; complete && row < size; row++) {
        dissolved_of(v, moles + (size_t)row * (size_t)v->masters, celsius[row], &dissolved);
        fill_row(&dissolved, celsius[row], brought[row], other[row], filled_up, wanted[row], displaced[row], poured + row,
                 liters + row);
    }
    for (int i = 0; i < used; i++) PyBuffer_Release(views + i);
    if (!complete) { PyErr_SetString(PyExc_TypeError, "an array is missing"); return NULL; }
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {
    {"prepare", prepare, METH_VARARGS, "The tables of a set of constants, kept for `equilibria`."},
    {"equilibria", equilibria, METH_VARARGS, "Begins to solve rows in place."},
    {"si_sigma", si_sigma, METH_VARARGS, "Begins to find standard errors of saturation indices, in place."},
    {"prepare_volumes", prepare_volumes, METH_O, "The tables of what is dissolved, kept for `fill`."},
    {"fill", fill, METH_VARARGS, "Finds how much water fills buckets, in place."},
    {"finish", finish, METH_O, "Waits for what was begun, and does its share of it."},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "_kernel", "Equilibrium of solutions, compiled.", -1, methods,
                                    NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__kernel(void) { return PyModule_Create(&module); }
