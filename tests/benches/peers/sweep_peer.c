/* Many scenarios by characteristics, sixteen beside each other: the peer of the bench `sweep`.
 *
 * Tank - pump - pipe - valve - tank. Half grid, friction by a fixed factor at the old flow. A point hands on its two
 * outgoing invariants, scaled so that friction is q|q| with no constant; steps are taken in pairs in one walk, the points
 * midway in registers. The pump's published head and torque are read in all four quadrants by the tangent within an octant
 * (no trigonometry), from tables made from the angles given; a lane's row is kept and gathered again only where it changes.
 * Flow and speed of the new level by Newton in lanes from a straight extrapolation, to a step of 1e-6 of the rated values
 * (what is left is its square); the torque of the level follows the last tangent. The valve by its quadratic.
 *
 * standard input: "scenarios cells rows" and two tables of `rows` numbers over equal angles 0..2 pi, then for every
 * scenario: dt b r level_1 level_2 qr hr wr tr inertia k_drive w_drive loss0 loss1 t0 t1 q0 w0 loss ; then lines "STEPS".
 * (Torque of the drive: k_drive (w_drive - w).) prints nanoseconds of the processor and the mean speed at the end of every line asked for. */
#define _GNU_SOURCE
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#ifdef __AVX512F__
#include <immintrin.h>
#endif

#define V 8
#define HALVES 2
#define W (V * HALVES)
#define OCT 64
#define ITERATIONS 12
typedef double v8 __attribute__((vector_size(8 * V)));
typedef long m8 __attribute__((vector_size(8 * V)));
#define INLINE static inline __attribute__((always_inline))

static long long now_ns(void) {
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (long long)t.tv_sec * 1000000000LL + t.tv_nsec;
}

/* Eight lanes: what is given, what follows from it, and the state. v and a: flow and speed over their rated values. */
typedef struct {
    v8 dt, b, r, z1, z2, qr, hr, wr, tr, j, kd, wd, open0, open1, t0, t1, q0, w0, loss;
    v8 scale, unscale, b_qr, per_qr, per_wr, theta_per, rest_per, kd_wd, speed_slope;
    v8 v, a, v_old, a_old, torque, valve_loss, b2, c[4];
    m8 row;
} half;

/* [octant][place] -> head, its rise, torque, its rise: octants by signs of alpha and v and which is larger. */
static double table[8 * OCT][4];

static double lookup(const double *t, int rows, double x) {
    double p = x / (2 * M_PI) * (rows - 1);
    int i = (int)p;
    if (i > rows - 2) i = rows - 2;
    return t[i] + (t[i + 1] - t[i]) * (p - i);
}

static void make_table(const double *h, const double *t, int rows) {
    for (int o = 0; o < 8; o++)
        for (int i = 0; i < OCT; i++) {
            double val[2][2];
            for (int e = 0; e < 2; e++) {
                double u = (double)(i + e) / OCT, big = 1.0, small = u;
                double al = o & 4 ? small : big, v = o & 4 ? big : small;
                if (o & 1) al = -al;
                if (o & 2) v = -v;
                double x = M_PI + atan2(v, al);
                if (o & 2 && v == 0.0) x = al < 0 ? 0.0 : M_PI;
                val[e][0] = lookup(h, rows, x);
                val[e][1] = lookup(t, rows, x);
            }
            double *row = table[o * OCT + i];
            row[0] = val[0][0]; row[1] = val[1][0] - val[0][0];
            row[2] = val[0][1]; row[3] = val[1][1] - val[0][1];
        }
}

INLINE v8 absv(v8 x) { return (v8)((m8)x & 0x7fffffffffffffffL); }
INLINE v8 sel(m8 m, v8 a, v8 b) { return (v8)((m & (m8)a) | (~m & (m8)b)); }
INLINE v8 all(double x) { return (v8){} + x; }
#ifdef __AVX512F__
INLINE int differ(m8 a, m8 b) { return _mm512_cmpneq_epi64_mask((__m512i)a, (__m512i)b) != 0; }
INLINE int above(v8 a, v8 b) { return _mm512_cmp_pd_mask((__m512d)a, (__m512d)b, _CMP_GT_OQ) != 0; }
INLINE v8 rootv(v8 x) { return (v8)_mm512_sqrt_pd((__m512d)x); }
INLINE v8 minv(v8 a, v8 b) { return (v8)_mm512_min_pd((__m512d)a, (__m512d)b); }
INLINE v8 maxv(v8 a, v8 b) { return (v8)_mm512_max_pd((__m512d)a, (__m512d)b); }
#else
INLINE int any(m8 m) { long x = 0; for (int l = 0; l < V; l++) x |= m[l]; return x != 0; }
INLINE int differ(m8 a, m8 b) { return any(a != b); }
INLINE int above(v8 a, v8 b) { return any(a > b); }
INLINE v8 rootv(v8 x) { v8 y; for (int l = 0; l < V; l++) y[l] = __builtin_sqrt(x[l]); return y; }
INLINE v8 minv(v8 a, v8 b) { return sel(a < b, a, b); }
INLINE v8 maxv(v8 a, v8 b) { return sel(a > b, a, b); }
#endif

/* Head and torque over rated values with slopes to v and a. */
typedef struct { v8 h, h_v, h_a, t, t_v, t_a; } point;

static __attribute__((noinline)) void gather(half *g, m8 row) {
    g->row = row;
    for (int l = 0; l < V; l++)
        for (int k = 0; k < 4; k++) g->c[k][l] = table[row[l]][k];
}

INLINE point pump(half *g, v8 a, v8 v) {
    v8 a_size = absv(a), v_size = absv(v);
    m8 steep = v_size > a_size;
    v8 inverse = 1.0 / (maxv(a_size, v_size) + 1e-300), u = minv(a_size, v_size) * inverse, place = u * (double)OCT;
    v8 below = minv(place, all(OCT - 1));
    m8 i = __builtin_convertvector(below, m8);
    v8 rest = place - __builtin_convertvector(i, v8);
    m8 row = ((steep & 4) | ((a < 0.0) & 1) | ((v < 0.0) & 2)) * OCT + i;
    if (__builtin_expect(differ(row, g->row), 0)) gather(g, row);
    m8 sign = (m8){} + (long)0x8000000000000000UL;
    v8 s = a * a + v * v;
    /* OCT s / big with the signs of a and v, and u times that */
    v8 steepness = s * inverse * (double)OCT, turned = -steepness * u;
    v8 u_a = (v8)((m8)sel(steep, steepness, turned) ^ ((m8)a & sign));
    v8 u_v = (v8)((m8)sel(steep, turned, steepness) ^ ((m8)v & sign));
    v8 head = g->c[0] + g->c[1] * rest, torque = g->c[2] + g->c[3] * rest, v2 = v + v, a2 = a + a;
    return (point){s * head, v2 * head + g->c[1] * u_v, a2 * head + g->c[1] * u_a,
                   s * torque, v2 * torque + g->c[3] * u_v, a2 * torque + g->c[3] * u_a};
}

/* z1 + H(q, w) = from + b q ; w - w0 = per (theta torque + (1 - theta) old torque) */
INLINE void pump_end(half *g, v8 *f, v8 *b, v8 offered) {
    v8 from = offered * g->unscale - g->z1, old = g->wr * g->a + g->rest_per * g->torque;
    v8 v = g->v + (g->v - g->v_old), a = g->a + (g->a - g->a_old);
    g->v_old = g->v;
    g->a_old = g->a;
    for (int it = 0; it < ITERATIONS; it++) {
        point p = pump(g, a, v);
        v8 drive = g->kd_wd - g->kd * (g->wr * a), net = drive - g->tr * p.t;
        v8 e1 = g->hr * p.h - from - g->b_qr * v, e2 = g->wr * a - old - g->theta_per * net;
        v8 a11 = g->hr * p.h_v - g->b_qr, a12 = g->hr * p.h_a;
        v8 a21 = g->theta_per * g->tr * p.t_v, a22 = g->speed_slope + g->theta_per * g->tr * p.t_a;
        v8 det = 1.0 / (a11 * a22 - a12 * a21);
        v8 dv = (a12 * e2 - e1 * a22) * det, da = (e1 * a21 - a11 * e2) * det;
        v += dv;
        a += da;
        g->torque = net - g->kd * g->wr * da - g->tr * (p.t_v * dv + p.t_a * da);
        if (__builtin_expect(!above(maxv(absv(dv), absv(da)), all(1e-6)), 1)) break;
    }
    g->v = v;
    g->a = a;
    v8 q = g->b_qr * v, h = from + g->z1 + q, x = 2.0 * g->scale * q, d = x * absv(x);
    *f = g->scale * (h + q) - d;
    *b = g->scale * (h - q) + d;
}

/* to - b q - z2 = loss q |q| */
INLINE void valve_end(half *g, v8 *f, v8 *b, v8 offered, double t) {
    v8 time = t * g->dt;
    if (__builtin_expect(above(g->t1 + 2.0 * g->dt, time), 0)) {
        v8 share = minv(maxv((time - g->t0) / (g->t1 - g->t0), all(0.0)), all(1.0));
        v8 open = g->open0 + share * (g->open1 - g->open0);
        g->valve_loss = 4.0 * g->loss / (open * open);
    }
    v8 to = offered * g->unscale, over = to - g->z2, size = absv(over);
    v8 bq = g->b * 2.0 * over / (g->b + rootv(g->b2 + g->valve_loss * size));
    v8 h = to - bq, x = 2.0 * g->scale * bq, d = x * absv(x);
    *f = g->scale * (h + bq) - d;
    *b = g->scale * (h - bq) + d;
}

typedef struct { v8 f, b; } pair;

INLINE pair between(v8 f, v8 b) {
    v8 x = f - b, size = absv(x);
    return (pair){f - x * size, b + x * size};
}

/* Two steps for the points inside, in one walk; what the ends are offered. */
INLINE void walk(v8 *restrict f, v8 *restrict b, long n, v8 from[HALVES], v8 to[HALVES]) {
    v8 left[HALVES], before[HALVES];
    for (int k = 0; k < HALVES; k++) {
        pair m = between(f[k], b[HALVES + k]);
        left[k] = f[HALVES + k];
        before[k] = m.f;
        from[k] = m.b;
    }
    for (long i = 1; i < n; i++)
        for (int k = 0; k < HALVES; k++) {
            long at = HALVES * i + k;
            pair m = between(left[k], b[at + HALVES]), p = between(before[k], m.b);
            left[k] = f[at + HALVES];
            f[at] = p.f;
            b[at] = p.b;
            before[k] = m.f;
        }
    for (int k = 0; k < HALVES; k++) to[k] = before[k];
}

static __attribute__((noinline)) void run(half *g, v8 *restrict f, v8 *restrict b, long n, long steps) {
    for (long step = 0; step < steps; step += 2) {
        v8 from[HALVES], to[HALVES];
        walk(f, b, n, from, to);
        for (int k = 0; k < HALVES; k++) {
            pump_end(g + k, f + k, b + k, from[k]);
            valve_end(g + k, f + HALVES * n + k, b + HALVES * n + k, to[k], step + 2);
        }
    }
}

/* What follows from the numbers given, and the steady state. */
static void ready(half *g, v8 *f, v8 *b, long n) {
    v8 y = 0.5 / g->b, dt2 = 2.0 * g->dt, stiff = g->kd * dt2 / g->j;
    v8 theta = sel(stiff > 2.0, 1.0 - 1.0 / stiff, all(0.5)), per = dt2 / g->j;
    g->scale = g->r * y * y;
    g->unscale = 1.0 / g->scale;
    g->b_qr = g->b * g->qr;
    g->theta_per = per * theta;
    g->rest_per = per * (1.0 - theta);
    g->kd_wd = g->kd * g->wd;
    g->speed_slope = g->wr * (1.0 + g->theta_per * g->kd);
    g->v = g->v_old = g->q0 / g->qr;
    g->a = g->a_old = g->w0 / g->wr;
    g->b2 = g->b * g->b;
    g->valve_loss = 4.0 * g->loss / (g->open0 * g->open0);
    g->row = (m8){} - 1;
    point p = pump(g, g->a, g->v);
    g->torque = g->kd * (g->wd - g->w0) - g->tr * p.t;
    v8 h0 = g->z1 + g->hr * p.h, h1 = g->z2 + g->loss / (g->open0 * g->open0) * g->q0 * g->q0;
    for (long i = 0; i <= n; i++) {
        v8 h = h0 + (h1 - h0) * ((double)i / n), bq = g->b * g->q0, x = 2.0 * g->scale * bq, d = x * absv(x);
        f[HALVES * i] = g->scale * (h + bq) - d;
        b[HALVES * i] = g->scale * (h - bq) + d;
    }
}

int main(void) {
    long count, cells, rows;
    if (scanf("%ld %ld %ld", &count, &cells, &rows) != 3) return 2;
    double *h = malloc(rows * 8), *tq = malloc(rows * 8), x[19];
    for (long i = 0; i < rows; i++) if (scanf("%lf", h + i) != 1) return 2;
    for (long i = 0; i < rows; i++) if (scanf("%lf", tq + i) != 1) return 2;
    make_table(h, tq, (int)rows);
    long groups = (count + W - 1) / W, n = cells / 2;
    half *all_halves = aligned_alloc(64, sizeof(half) * HALVES * groups);
    for (long i = 0; i < groups * W; i++) {
        if (i < count) for (int k = 0; k < 19; k++) if (scanf("%lf", x + k) != 1) return 2;
        half *g = all_halves + i / V;
        v8 *numbers[] = {&g->dt, &g->b, &g->r, &g->z1, &g->z2, &g->qr, &g->hr, &g->wr, &g->tr, &g->j,
                         &g->kd, &g->wd, &g->open0, &g->open1, &g->t0, &g->t1, &g->q0, &g->w0, &g->loss};
        for (int k = 0; k < 19; k++) (*numbers[k])[i % V] = x[k];
    }
    /* Not a whole number of pages apart: equal places of both arrays would fight for one set of the cache. */
    size_t points = (size_t)HALVES * (n + 1);
    v8 *f = aligned_alloc(64, sizeof(v8) * (2 * points + 40)), *b = f + points + (points % 64 < 8 ? 20 : 8);
    long steps;
    while (scanf("%ld", &steps) == 1) {
        double sum = 0.0;
        long long begin = now_ns();
        for (long i = 0; i < groups; i++) {
            half g[HALVES];
            memcpy(g, all_halves + HALVES * i, sizeof g);
            for (int k = 0; k < HALVES; k++) ready(g + k, f + k, b + k, n);
            run(g, f, b, n, steps);
            for (int l = 0; l < W && i * W + l < count; l++) sum += g[l / V].a[l % V] * g[l / V].wr[l % V];
        }
        printf("%lld %.12g\n", now_ns() - begin, sum / count);
        fflush(stdout);
    }
    return 0;
}
