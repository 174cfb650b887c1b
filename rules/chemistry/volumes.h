/* Volume of solutions by what is dissolved, and how much water fills a bucket: the compiled twin of density.py and
 * filling.py, a row at a time, the same equations under the same names. */
#ifndef POURCHECK_VOLUMES_H
#define POURCHECK_VOLUMES_H

#include <math.h>
#include <string.h>

#define MOST_NAMES 64   /* ions and molecules */
#define MOST_SOLUTES 256
#define DENSEST_KG_PER_L 2.5
#define LEAST_WATER_SHARE 0.05
#define FREED_WATER_KG_PER_MOL 0.018015 /* as there: by standard atomic weights */

typedef struct {
    int masters, names, cations, anions, solutes, ladders, weaks;
    int hydrogen, sodium, chloride, pyrophosphate, phosphate, hydroxide; /* places of names */
    int *place;             /* of each master among the names */
    int *ladder, *weak;     /* base and acid; acid and base */
    double *charge, *released;
    int *recipe_start, *recipe; /* solutes of each pair and molecule, sparse */
    double *times;
    double *mass, *density, *limits; /* R, 5 x R, 3 x R */
} Volumes;

static double water_density_kg_per_l(double c) {
    double top = 999.83952 + c * (16.945176 + c * (-7.9870401e-3 + c * (-46.170461e-6 + c * (105.56302e-9 -
        280.54253e-12 * c))));
    return top / (1.0 + 16.879850e-3 * c) / 1000.0;
}

/* What is dissolved of one row: kg of each solute, and how they fill at its temperature. */
typedef struct {
    int count;
    double kg[MOST_SOLUTES], most[MOST_SOLUTES], c0[MOST_SOLUTES], c1[MOST_SOLUTES], by_t[MOST_SOLUTES];
    double total, released, of_water; /* kg, moles of water set free, density of water */
} Dissolved;

static double larger(double x, double y) { return x > y ? x : y; }
static double smaller(double x, double y) { return x < y ? x : y; }

static void dissolved_of(const Volumes *v, const double *totals, double celsius, Dissolved *out) {
    double amount[MOST_NAMES] = {0}, of[MOST_SOLUTES] = {0}, excess = 0.0, total = 0.0;
    int ions = v->cations + v->anions;
    for (int j = 0; j < v->masters; j++) {
        int at = v->place[j];
        amount[at] = at == v->hydrogen ? totals[j] : larger(totals[j], 0.0);
    }
    for (int i = 0; i < v->names; i++) excess += v->charge[i] * amount[i];
    amount[v->chloride] += larger(excess, 0.0), amount[v->sodium] += larger(-excess, 0.0);
    double pyrophosphate = amount[v->pyrophosphate], water = -pyrophosphate, protons = amount[v->hydrogen];
    amount[v->phosphate] += 2.0 * pyrophosphate;
    for (int i = 0; i < v->weaks; i++) {
        int weak = v->weak[2 * i], base = v->weak[2 * i + 1];
        protons += amount[weak], amount[base] += amount[weak], amount[weak] = 0.0;
    }
    double hydroxide = larger(-protons, 0.0);
    amount[v->hydroxide] += hydroxide, water -= hydroxide, protons = larger(protons, 0.0);
    for (int i = 0; i < v->ladders; i++) {
        int base = v->ladder[2 * i], acid = v->ladder[2 * i + 1];
        double moved = smaller(protons, amount[base]);
        amount[base] -= moved, amount[acid] += moved, protons -= moved, water += v->released[i] * moved;
    }
    amount[v->hydrogen] = protons;
    for (int a = v->cations; a < ions; a++) total += amount[a] * fabs(v->charge[a]);
    for (int c = 0; c < v->cations; c++) {
        double equivalents = amount[c] * fabs(v->charge[c]);
        if (equivalents == 0.0 || !(total > 0.0)) continue;
        for (int a = v->cations; a < ions; a++) {
            double pair = equivalents * (amount[a] * fabs(v->charge[a]) / total);
            int row = c * v->anions + a - v->cations;
            if (pair == 0.0) continue;
            for (int e = v->recipe_start[row]; e < v->recipe_start[row + 1]; e++) of[v->recipe[e]] += pair * v->times[e];
        }
    }
    for (int i = ions; i < v->names; i++) {
        int row = v->cations * v->anions + i - ions;
        if (i == v->pyrophosphate || amount[i] == 0.0) continue;
        for (int e = v->recipe_start[row]; e < v->recipe_start[row + 1]; e++) of[v->recipe[e]] += amount[i] * v->times[e];
    }
    int R = v->solutes;
    out->count = 0, out->total = 0.0, out->released = water;
    out->of_water = water_density_kg_per_l(smaller(larger(celsius, 0.0), 100.0));
    for (int r = 0; r < R; r++) {
        if (of[r] == 0.0) continue;
        int k = out->count++;
        double t = smaller(larger(celsius, v->limits[r]), v->limits[R + r]), far = t + v->density[4 * R + r];
        double stretch = 1e-3 * exp(1e-6 * far * far);
        out->kg[k] = of[r] * v->mass[r], out->most[k] = v->limits[2 * R + r];
        out->c0[k] = v->density[r] * stretch, out->c1[k] = v->density[R + r] * stretch;
        out->by_t[k] = v->density[2 * R + r] + v->density[3 * R + r] * t;
        out->total += out->kg[k];
    }
}

/* Liters of a solution of so much water. */
static double liters_in(const Dissolved *d, double water_kg) {
    double factor = 1.0 / water_kg, water = larger(1.0 + FREED_WATER_KG_PER_MOL * d->released * factor, 0.0);
    double mass = d->total * factor + water, share = 1.0 - water / mass, volume = 0.0;
    for (int k = 0; k < d->count; k++) {
        double w = smaller(share, d->most[k]);
        volume += d->kg[k] * (w + d->by_t[k]) / (d->c0[k] * w + d->c1[k]);
    }
    return water_kg * larger(water / d->of_water + volume * factor, mass / DENSEST_KG_PER_L);
}

/* Water to pour [kg] and volume made up [L], with the water that products bring and what else takes up room. filled_up: a
 * bucket of so many liters is filled up, of which products take up some, roughly; else so much water is poured in. */
static void fill_row(const Dissolved *d, double celsius, double brought_kg, double other_l, int filled_up, double wanted_l,
                     double displaced_l, double *poured_kg, double *liters) {
    double of_water = water_density_kg_per_l(celsius);
    if (!filled_up) {
        *poured_kg = wanted_l * of_water;
        *liters = liters_in(d, *poured_kg + brought_kg) + other_l;
        return;
    }
    double least = LEAST_WATER_SHARE * wanted_l * of_water, poured = larger(wanted_l * of_water - displaced_l, least);
    for (int round_ = 0; round_ < 2; round_++) /* volume answers water almost liter for liter */
        poured = larger(poured + (wanted_l - liters_in(d, poured + brought_kg) - other_l) * of_water, least);
    *poured_kg = poured;
    *liters = larger(liters_in(d, poured + brought_kg) + other_l, wanted_l);
}

#endif
