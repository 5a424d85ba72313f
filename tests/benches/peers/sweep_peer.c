/* Many scenarios by characteristics, sixteen beside each other: the peer of the bench `sweep`.
 *
 * Tank - pump - pipe - valve - tank. Half grid, steps in pairs, friction by a fixed factor at the old flow; the pump's
 * published head and torque are read in all four quadrants by the tangent within an octant (no trigonometry), from tables
 * made from the angles given; head, flow and speed of the new level by Newton in lanes, the valve by its quadratic.
 *
 * standard input: "scenarios cells rows" and two tables of `rows` numbers over equal angles 0..2 pi, then for every
 * scenario: dt b r level_1 level_2 qr hr wr tr inertia k_drive w_drive loss0 loss1 t0 t1 q0 w0 ; then lines "STEPS".
 * (Torque of the drive: k_drive (w_drive - w).) prints nanoseconds and the mean speed at the end of every line asked for. */
#define _GNU_SOURCE
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define W 16
#define OCT 64
typedef double v16 __attribute__((vector_size(8 * W)));
typedef long m16 __attribute__((vector_size(8 * W)));

static long long now_ns(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (long long)t.tv_sec * 1000000000LL + t.tv_nsec;
}

typedef struct {
    v16 dt, b, r, z1, z2, qr, hr, wr, tr, j, kd, wd, loss0, loss1, t0, t1, q, w, told, loss;
    v16 *f, *g;
} group;

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

static inline __attribute__((always_inline)) v16 absv(v16 x) { return (v16)((m16)x & 0x7fffffffffffffffL); }
static inline __attribute__((always_inline)) v16 sel(m16 m, v16 a, v16 b) { return (v16)((m & (m16)a) | (~m & (m16)b)); }
static inline __attribute__((always_inline)) v16 rootv(v16 x) {
    v16 y;
    for (int l = 0; l < W; l++) y[l] = __builtin_sqrt(x[l]);
    return y;
}

/* Head and torque with slopes to flow and speed ratio. */
static inline __attribute__((always_inline)) void pump(v16 al, v16 v, v16 out[6]) {
    v16 a = absv(al), b = absv(v);
    m16 steep = b > a;
    v16 big = sel(steep, b, a) + 1e-300, small = sel(steep, a, b);
    v16 u = small / big, p = u * (double)OCT;
    m16 i = __builtin_convertvector(p, m16);
    m16 top = (m16){} + (OCT - 1), beyond = i > top;
    i = (beyond & top) | (~beyond & i);
    v16 rest = p - __builtin_convertvector(i, v16);
    m16 o = ((steep & 4) | ((al < 0) & 1) | ((v < 0) & 2)) * OCT + i;
    v16 c[4];
    for (int l = 0; l < W; l++) {
        const double *row = table[o[l]];
        for (int k = 0; k < 4; k++) c[k][l] = row[k];
    }
    v16 s = al * al + v * v;
    /* du/dal and du/dv, signs included */
    v16 sa = sel(al < 0, (v16){} - 1.0, (v16){} + 1.0), sv = sel(v < 0, (v16){} - 1.0, (v16){} + 1.0);
    v16 ua = sel(steep, sa / big, -sa * u / big), uv = sel(steep, -sv * u / big, sv / big);
    for (int k = 0; k < 2; k++) {
        v16 y = c[2 * k] + c[2 * k + 1] * rest, dy = c[2 * k + 1] * (double)OCT;
        out[3 * k] = s * y;
        out[3 * k + 1] = 2 * v * y + s * dy * uv;
        out[3 * k + 2] = 2 * al * y + s * dy * ua;
    }
}

static void run(group *restrict g, long n, long steps, double *time) {
    double t = *time;
    v16 y = 0.5 / g->b, r = g->r, dt2 = 2.0 * g->dt, wr = g->wr, qr = g->qr;
    v16 *restrict f = g->f, *restrict b = g->g;
    v16 q = g->q, w = g->w, told = g->told;
    for (long step = 0; step < steps; step += 2) {
        for (long k = 0; k < n; k++) {
            v16 x = (f[k] - b[k + 1]) * y, d = r * x * absv(x);
            f[k] = f[k] - d;
            b[k] = b[k + 1] + d;
        }
        v16 from = b[0], to = f[n - 1];
        for (long k = n - 1; k > 0; k--) {
            v16 x = (f[k - 1] - b[k]) * y, d = r * x * absv(x);
            f[k] = f[k - 1] - d;
            b[k] = b[k] + d;
        }
        t += 2.0;
        /* pump: z1 + H(q, w) = from + b q ; j (w1 - w0)/dt = mean torque */
        v16 w0 = w, out[6];
        for (int it = 0; it < 12; it++) {
            pump(w / wr, q / qr, out);
            v16 e1 = g->z1 + g->hr * out[0] - from - g->b * q;
            v16 tn = g->kd * (g->wd - w) - g->tr * out[3];
            v16 theta = 0.5 + (v16){};
            v16 stiff = g->kd * dt2 / g->j;
            theta = sel(stiff > 2.0, 1.0 - 1.0 / stiff, theta);
            v16 per = dt2 / g->j;
            v16 e2 = w - w0 - per * (theta * tn + (1.0 - theta) * told);
            v16 a = g->hr * out[1] / qr - g->b, bb = g->hr * out[2] / wr;
            v16 c = per * theta * g->tr * out[4] / qr, d = 1.0 + per * theta * (g->kd + g->tr * out[5] / wr);
            v16 det = 1.0 / (a * d - bb * c);
            v16 dq = (e1 * d - bb * e2) * det, dw = (a * e2 - e1 * c) * det;
            q -= dq;
            w -= dw;
            m16 over = (absv(dq) > 1e-11 * qr) | (absv(dw) > 1e-11 * wr);
            long any = 0;
            for (int l = 0; l < W; l++) any |= over[l];
            if (!any) break;
        }
        pump(w / wr, q / qr, out);
        told = g->kd * (g->wd - w) - g->tr * out[3];
        v16 h = from + g->b * q, d = r * q * absv(q);
        f[0] = h + g->b * q - d;
        b[0] = h - g->b * q + d;
        /* valve: to - b q - z2 = loss q |q| */
        v16 ts = t * g->dt, share = (ts - g->t0) / (g->t1 - g->t0);
        share = sel(share < 0.0, (v16){}, share);
        share = sel(share > 1.0, (v16){} + 1.0, share);
        v16 open = g->loss0 + share * (g->loss1 - g->loss0), loss = g->loss / (open * open);
        v16 over = to - g->z2, size = absv(over);
        v16 qv = 2.0 * size / (g->b + rootv(g->b * g->b + 4.0 * loss * size));
        qv = sel(over < 0.0, -qv, qv);
        h = to - g->b * qv;
        d = r * qv * absv(qv);
        f[n] = h + g->b * qv - d;
        b[n] = h - g->b * qv + d;
    }
    g->q = q; g->w = w; g->told = told;
    *time = t;
}

int main(void) {
    long count, cells, rows;
    if (scanf("%ld %ld %ld", &count, &cells, &rows) != 3) return 2;
    double *h = malloc(rows * 8), *tq = malloc(rows * 8);
    for (long i = 0; i < rows; i++) if (scanf("%lf", h + i) != 1) return 2;
    for (long i = 0; i < rows; i++) if (scanf("%lf", tq + i) != 1) return 2;
    make_table(h, tq, (int)rows);
    long groups = (count + W - 1) / W, n = cells / 2;
    group *all = aligned_alloc(128, sizeof(group) * groups), *start = aligned_alloc(128, sizeof(group) * groups);
    for (long i = 0; i < groups * W; i++) {
        double x[19];
        if (i < count) for (int k = 0; k < 19; k++) if (scanf("%lf", x + k) != 1) return 2;
        group *g = all + i / W;
        int l = i % W;
        g->dt[l] = x[0]; g->b[l] = x[1]; g->r[l] = x[2]; g->z1[l] = x[3]; g->z2[l] = x[4]; g->qr[l] = x[5];
        g->hr[l] = x[6]; g->wr[l] = x[7]; g->tr[l] = x[8]; g->j[l] = x[9]; g->kd[l] = x[10]; g->wd[l] = x[11];
        g->loss0[l] = x[12]; g->loss1[l] = x[13]; g->t0[l] = x[14]; g->t1[l] = x[15]; g->q[l] = x[16]; g->w[l] = x[17];
        g->loss[l] = x[18];
    }
    memcpy(start, all, sizeof(group) * groups);
    v16 *f = aligned_alloc(128, sizeof(v16) * (n + 2)), *b = aligned_alloc(128, sizeof(v16) * (n + 20));
    b += 17;
    long steps;
    while (scanf("%ld", &steps) == 1) {
        double sum = 0.0;
        long long begin = now_ns();
        for (long i = 0; i < groups; i++) {
            group *g = all + i;
            *g = start[i];
            g->f = f; g->g = b;
            v16 out[6];
            pump(g->w / g->wr, g->q / g->qr, out);
            v16 h0 = g->z1 + g->hr * out[0], h1 = g->z2 + g->loss / (g->loss0 * g->loss0) * g->q * g->q;
            g->told = g->kd * (g->wd - g->w) - g->tr * out[3];
            for (long k = 0; k <= n; k++) {
                v16 hh = h0 + (h1 - h0) * ((double)k / n), d = g->r * g->q * absv(g->q);
                f[k] = hh + g->b * g->q - d;
                b[k] = hh - g->b * g->q + d;
            }
            double t = 0.0;
            run(g, n, steps, &t);
            for (int l = 0; l < W && i * W + l < count; l++) sum += g->w[l];
        }
        printf("%lld %.12g\n", now_ns() - begin, sum / count);
        fflush(stdout);
    }
    return 0;
}
