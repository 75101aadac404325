/* Put before the system's library with LD_PRELOAD: every fdatasync and fsync takes SLOW_SYNC_MS longer. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <time.h>

static void wait_as_asked(void)
{
    const char *text = getenv("SLOW_SYNC_MS");
    long ms = text ? atol(text) : 0;
    struct timespec left = {ms / 1000, ms % 1000 * 1000000};
    while (nanosleep(&left, &left) != 0) {
    }
}

static int next(const char *name, int fd)
{
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, name);
    return real(fd);
}

int fdatasync(int fd)
{
    wait_as_asked();
    return next("fdatasync", fd);
}

int fsync(int fd)
{
    wait_as_asked();
    return next("fsync", fd);
}
