/* Rows side by side: numbers of several rows in one, a lane each, and what the kernel asks of them.
 *
 * A `Real` is a vector of doubles, a `Mask` is all ones in the lanes for which something holds, else 0. Where the system
 * chooses between versions of a function as the module is loaded (GCC on Linux, x86-64) there are four lanes, and what is
 * hot is compiled for processors with registers of that size too; with GCC and Clang elsewhere there are two; with other
 * compilers a Real is one double, and a row is solved at a time. Vectors are passed by value to what is inlined alone:
 * how they are passed otherwise depends on the processor that a function is compiled for.
 */
#ifndef POURCHECK_LANES_H
#define POURCHECK_LANES_H

#include <math.h>
#include <stdint.h>
#include <string.h>

#if defined(__x86_64__) && defined(__GLIBC__) && defined(__GNUC__) && !defined(__clang__) && __GNUC__ >= 12
#define LANES 4
#define HOT __attribute__((target_clones("arch=x86-64-v3", "default")))
#elif defined(__GNUC__)
#define LANES 2
#define HOT
#else
#define LANES 1
#define HOT
#endif

#if defined(__GNUC__) && !defined(__clang__)
#pragma GCC diagnostic ignored "-Wpsabi" /* as said: by value only within what is inlined */
#endif

#if LANES > 1
typedef double Real __attribute__((vector_size(8 * LANES)));
typedef int64_t Mask __attribute__((vector_size(8 * LANES)));
#define WITHIN static inline __attribute__((always_inline))
#else
typedef double Real;
typedef int64_t Mask;
#define WITHIN static inline
#endif

/* One lane of a Real or a Mask. */
#define AT(numbers, lane) (((double *)&(numbers))[lane])
#define IN(mask, lane) (((int64_t *)&(mask))[lane])

#if LANES > 1
WITHIN Real all_of(double x) { Real out = {0}; return out + x; }
WITHIN Mask bits(Real x) { return (Mask)x; }
WITHIN Real number(Mask x) { return (Real)x; }
WITHIN Mask above(Real x, Real y) { return (Mask)(x > y); }
#else
WITHIN Real all_of(double x) { return x; }
WITHIN Mask bits(Real x) { Mask out; memcpy(&out, &x, sizeof out); return out; }
WITHIN Real number(Mask x) { Real out; memcpy(&out, &x, sizeof out); return out; }
WITHIN Mask above(Real x, Real y) { return -(Mask)(x > y); }
#endif

WITHIN Mask below(Real x, Real y) { return above(y, x); }
WITHIN Mask whole(int64_t x) { Mask out = {0}; return out + x; }
WITHIN Real where(Mask mask, Real x, Real y) { return number((mask & bits(x)) | (~mask & bits(y))); }
WITHIN Real size_of(Real x) { return number(bits(x) & whole(INT64_MAX)); }
/* Of two numbers; the second where one of them is not a number. */
WITHIN Real more(Real x, Real y) { return where(above(x, y), x, y); }
WITHIN Real less(Real x, Real y) { return where(below(x, y), x, y); }
WITHIN Real within(Real x, double low, double high) { return less(more(x, all_of(low)), all_of(high)); }
WITHIN Mask sound(Real x) { return below(size_of(x), all_of(1e300)); }

WITHIN int any(Mask mask) {
    int64_t out = 0;
    for (int l = 0; l < LANES; l++) out |= IN(mask, l);
    return out != 0;
}
WITHIN int every(Mask mask) { return !any(~mask); }

WITHIN Real root_of(Real x) {
    Real out;
    for (int l = 0; l < LANES; l++) AT(out, l) = sqrt(AT(x, l));
    return out;
}

#define SHIFTER 6755399441055744.0 /* 1.5 * 2^52: added, the last bits of a double are its whole part */

/* e^x within 2e-16 of it, for x from -700 to 700: 2^k times a Taylor series over half of ln 2. */
WITHIN Real exp_of(Real x) {
    Real shifted = x * 1.4426950408889634 + SHIFTER, k = shifted - SHIFTER;
    Real r = (x - k * 6.93147180369123816490e-01) - k * 1.90821492927058770002e-10; /* ln 2 in two parts */
    Real p = r * (1.0 / 6227020800.0) + 1.0 / 479001600.0;
    p = p * r + 1.0 / 39916800.0, p = p * r + 1.0 / 3628800.0, p = p * r + 1.0 / 362880.0, p = p * r + 1.0 / 40320.0;
    p = p * r + 1.0 / 5040.0, p = p * r + 1.0 / 720.0, p = p * r + 1.0 / 120.0, p = p * r + 1.0 / 24.0;
    p = p * r + 1.0 / 6.0, p = p * r + 0.5;
    p = p * (r * r) + r + 1.0;
    return p * number((bits(shifted) - bits(all_of(SHIFTER)) + 1023) << 52);
}

/* ln x within 3e-16 of it (of itself, or of 1), for x above 1e-307: ln of its power of two, and 2 artanh of the rest. */
WITHIN Real log_of(Real x) {
    Mask exponent = (bits(x) >> 52) - 1023;
    Real m = number((bits(x) & whole(0xfffffffffffffLL)) | bits(all_of(1.0)));
    Mask big = above(m, all_of(1.4142135623730951));
    m = where(big, 0.5 * m, m), exponent -= big; /* a mask is -1 where it holds */
    Real k = number(exponent + bits(all_of(SHIFTER))) - SHIFTER;
    Real f = (m - 1.0) / (m + 1.0), s = f * f, p = s * (1.0 / 23.0) + 1.0 / 21.0;
    p = p * s + 1.0 / 19.0, p = p * s + 1.0 / 17.0, p = p * s + 1.0 / 15.0, p = p * s + 1.0 / 13.0;
    p = p * s + 1.0 / 11.0, p = p * s + 1.0 / 9.0, p = p * s + 1.0 / 7.0, p = p * s + 1.0 / 5.0, p = p * s + 1.0 / 3.0;
    p = 2.0 * f + 2.0 * f * s * p;
    return k * 6.93147180369123816490e-01 + (p + k * 1.90821492927058770002e-10);
}

#endif
