/* One pipe by characteristics on the half grid: the peer of the bench `moc`.
 *
 * Tank - pipe - tank, both tanks of finite area, friction by a fixed factor taken at the old flow. One colour of the
 * checkerboard of place and time is computed, in place; a point hands on its two outgoing invariants, with friction
 * looked at once a point. No skew in time. Prints, for every line "STEPS" read, the nanoseconds of the processor those steps took and the
 * level of the second tank, m.
 *
 * arguments: cells impedance_s_m2 resistance_of_a_cell_s2_m5 dt_s area_m2 level_1_m level_2_m flow_m3_s  */
#define _POSIX_C_SOURCE 199309L
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static long long now_ns(void) {
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (long long)t.tv_sec * 1000000000LL + t.tv_nsec;
}

/* Whole points 0..n to points midway 0..n-1: point k from its neighbours k and k + 1. */
static void midway(double *restrict f, double *restrict g, long n, double half_y, double r) {
#pragma GCC ivdep
    for (long k = 0; k < n; k++) {
        double q = (f[k] - g[k + 1]) * half_y, d = r * q * fabs(q);
        f[k] = f[k] - d;
        g[k] = g[k + 1] + d;
    }
}

/* Points midway to whole points 1..n-1, from the last on. */
static void whole(double *restrict f, double *restrict g, long n, double half_y, double r) {
#pragma GCC ivdep
    for (long k = n - 1; k > 0; k--) {
        double q = (f[k - 1] - g[k]) * half_y, d = r * q * fabs(q);
        f[k] = f[k - 1] - d;
        g[k] = g[k] + d;
    }
}

int main(int argc, char **argv) {
    if (argc < 9) return 2;
    long cells = atol(argv[1]), n = cells / 2;
    double b = atof(argv[2]), r = atof(argv[3]), dt = 2.0 * atof(argv[4]), area = atof(argv[5]);
    double z[2] = {atof(argv[6]), atof(argv[7])}, q0 = atof(argv[8]), in[2] = {-q0, q0};
    size_t bytes = ((size_t)(n + 64) * sizeof(double) + 63) / 64 * 64;
    double *f = aligned_alloc(64, bytes), *g = (double *)((char *)aligned_alloc(64, bytes + 2048) + 2048);
    for (long k = 0; k <= n; k++) {
        double h = z[0] + (z[1] - z[0]) * k / n;
        f[k] = h + b * q0 - r * q0 * fabs(q0);
        g[k] = h - b * q0 + r * q0 * fabs(q0);
    }
    double y = 0.5 / b, take = 2.0 * area / dt;
    long steps;
    while (scanf("%ld", &steps) == 1) {
        long long start = now_ns();
        for (long step = 0; step < steps; step += 2) {
            midway(f, g, n, y, r);
            double from = g[0], to = f[n - 1];
            whole(f, g, n, y, r);
            double offer[2] = {from, to};
            for (int end = 0; end < 2; end++) {
                double h = (offer[end] / b + take * z[end] + in[end]) / (1.0 / b + take);
                double q = (offer[end] - h) / b;
                double inflow = q;
                z[end] += 0.5 * dt * (in[end] + inflow) / area;
                in[end] = inflow;
                double along = end ? q : -q, d = r * along * fabs(along);
                long k = end ? n : 0;
                f[k] = h + b * along - d;
                g[k] = h - b * along + d;
            }
        }
        long long ns = now_ns() - start;
        printf("%lld %.12g\n", ns, z[1]);
        fflush(stdout);
    }
    return 0;
}
