/* A library to preload: the date jumps while the computer's other clocks go on. Until CLOCK_JUMP_AFTER seconds (of the
   monotonic clock, since the first look at a date) dates are right; then they stand 400 days ahead and a day behind by
   turns, two seconds each. */
#define _GNU_SOURCE
#include <stdlib.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static long long of(clockid_t which) {
    struct timespec t;
    syscall(SYS_clock_gettime, which, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

static long long date_ns(void) {
    static long long begun;
    long long now = of(CLOCK_MONOTONIC), date = of(CLOCK_REALTIME);
    const char *after = getenv("CLOCK_JUMP_AFTER");
    if (begun == 0) begun = now;
    long long since = now - begun - (long long)(1e9 * (after ? atof(after) : 0.0));
    if (since < 0) return date;
    long long day = 86400LL * 1000000000LL;
    return since / 2000000000LL % 2 == 0 ? date + 400 * day : date - day;
}

int clock_gettime(clockid_t which, struct timespec *t) {
    if (which != CLOCK_REALTIME && which != CLOCK_REALTIME_COARSE) return (int)syscall(SYS_clock_gettime, which, t);
    long long ns = date_ns();
    t->tv_sec = ns / 1000000000LL;
    t->tv_nsec = ns % 1000000000LL;
    return 0;
}

int gettimeofday(struct timeval *restrict t, void *restrict zone) {
    (void)zone;
    long long ns = date_ns();
    t->tv_sec = ns / 1000000000LL;
    t->tv_usec = ns % 1000000000LL / 1000;
    return 0;
}

time_t time(time_t *t) {
    time_t now = (time_t)(date_ns() / 1000000000LL);
    if (t) *t = now;
    return now;
}
