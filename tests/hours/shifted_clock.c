/* The machine's clock, SHIFT seconds on, for a program that is started with this in LD_PRELOAD.

   Only the clock that tells the date is shifted. Waits go by CLOCK_MONOTONIC, which is left alone. */

#define _GNU_SOURCE
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

int clock_gettime(clockid_t which, struct timespec *told)
{
    int failed = (int)syscall(SYS_clock_gettime, which, told);
    if (!failed && (which == CLOCK_REALTIME || which == CLOCK_REALTIME_COARSE))
        told->tv_sec += SHIFT;
    return failed;
}

int gettimeofday(struct timeval *restrict told, void *restrict zone)
{
    struct timespec now;
    (void)zone;
    if (clock_gettime(CLOCK_REALTIME, &now))
        return -1;
    told->tv_sec = now.tv_sec;
    told->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *told)
{
    struct timespec now;
    if (clock_gettime(CLOCK_REALTIME, &now))
        return -1;
    if (told)
        *told = now.tv_sec;
    return now.tv_sec;
}
