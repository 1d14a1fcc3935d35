/* Shift the clock of a program by SHIFT seconds: start it with this library in LD_PRELOAD.

   Only the clock with the date is shifted. Waits use CLOCK_MONOTONIC, which stays as it is. */

#define _GNU_SOURCE
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

int clock_gettime(clockid_t which, struct timespec *now)
{
    int failed = (int)syscall(SYS_clock_gettime, which, now);
    if (!failed && (which == CLOCK_REALTIME || which == CLOCK_REALTIME_COARSE))
        now->tv_sec += SHIFT;
    return failed;
}

int gettimeofday(struct timeval *restrict result, void *restrict zone)
{
    struct timespec now;
    (void)zone;
    if (clock_gettime(CLOCK_REALTIME, &now))
        return -1;
    result->tv_sec = now.tv_sec;
    result->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *result)
{
    struct timespec now;
    if (clock_gettime(CLOCK_REALTIME, &now))
        return -1;
    if (result)
        *result = now.tv_sec;
    return now.tv_sec;
}
