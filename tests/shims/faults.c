/* SPDX-License-Identifier: MIT OR Apache-2.0
 *
 * Faults of a disk and of a system clock, for the fault matrix: loaded into the recorder alone with LD_PRELOAD, and
 * steered through a small shared file whose path is in TALLYWHEEL_FAULTS. The file is 64-bit words in the machine's
 * order; the harness writes the first ones, this library the rest:
 *
 *   0  how writes go: 0 well, 1 no space, 2 half of the bytes once and then no space, 3 input/output error
 *   1  how long fdatasync and fsync take beforehand, us
 *   2  fdatasync and fsync fail: 0 no, 1 with an input/output error (the bytes are in the file, as far as it knows)
 *   3  shift of the system's clock, us
 *   4  which files: 0 the journal only, 1 every regular file, 2 every regular file but the journal
 *   8  writes that failed or were cut short
 *   9  syncs that were delayed
 *  10  syncs that failed
 *  16  then 64 pairs: inode of a journal, bytes of it that a successful fdatasync has vouched for
 *
 * Only what Rust's standard library calls is interposed.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <stdio.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

enum { WRITES, DELAY_US, SYNC_FAILS, SHIFT_US, SCOPE, REFUSED = 8, DELAYED, SYNC_REFUSED, FILES = 16, PAIRS = 64, WORDS = 256 };
enum { WELL, NO_SPACE, TORN, IO_ERROR };

static int64_t *words;

__attribute__((constructor)) static void attach(void) {
    const char *path = getenv("TALLYWHEEL_FAULTS");
    int fd = path ? open(path, O_RDWR | O_CLOEXEC) : -1;
    if (fd < 0) return;
    void *at = mmap(NULL, WORDS * sizeof *words, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    if (at != MAP_FAILED) words = at;
    close(fd);
}

static int64_t word(int at) { return words ? __atomic_load_n(&words[at], __ATOMIC_ACQUIRE) : 0; }
static void count(int at) { __atomic_fetch_add(&words[at], 1, __ATOMIC_ACQ_REL); }

/* 1 for a journal, 2 for another regular file, 0 for anything else. */
static int kind(int fd) {
    struct stat info;
    if (fstat(fd, &info) != 0 || !S_ISREG(info.st_mode)) return 0;
    char link[40], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    static const char journal[] = "/journal.twj";
    const ssize_t tail = sizeof journal - 1;
    return length >= tail && memcmp(path + length - tail, journal, tail) == 0 ? 1 : 2;
}

static int concerns(int fd) {
    int is = kind(fd);
    int64_t scope = word(SCOPE);
    return (is == 1 && scope != 2) || (is == 2 && scope != 0);
}

/* How many of so many bytes may be written now; -1 with errno set for none. */
static ssize_t allowed(int fd, size_t bytes) {
    int64_t how = word(WRITES);
    if (how == WELL || !concerns(fd)) return (ssize_t)bytes;
    count(REFUSED);
    if (how == TORN) {
        __atomic_store_n(&words[WRITES], NO_SPACE, __ATOMIC_RELEASE);
        if (bytes > 1) return (ssize_t)(bytes / 2);
    }
    errno = how == IO_ERROR ? EIO : ENOSPC;
    return -1;
}

ssize_t write(int fd, const void *from, size_t bytes) {
    ssize_t may = allowed(fd, bytes);
    return may < 0 ? -1 : syscall(SYS_write, fd, from, (size_t)may);
}

ssize_t pwrite64(int fd, const void *from, size_t bytes, off64_t at) {
    static ssize_t (*real)(int, const void *, size_t, off64_t);
    if (!real) real = dlsym(RTLD_NEXT, "pwrite64");
    ssize_t may = allowed(fd, bytes);
    return may < 0 ? -1 : real(fd, from, (size_t)may, at);
}

ssize_t writev(int fd, const struct iovec *parts, int number) {
    static ssize_t (*real)(int, const struct iovec *, int);
    if (!real) real = dlsym(RTLD_NEXT, "writev");
    size_t bytes = 0;
    for (int i = 0; i < number; i++) bytes += parts[i].iov_len;
    ssize_t may = allowed(fd, bytes);
    if (may < 0) return -1;
    if ((size_t)may == bytes) return real(fd, parts, number);
    for (int i = 0; i < number; i++)
        if (parts[i].iov_len > 0)
            return syscall(SYS_write, fd, parts[i].iov_base, parts[i].iov_len < (size_t)may ? parts[i].iov_len : (size_t)may);
    return 0;
}

/* Notes how much of a journal is on the disk. One thread syncs journals, so a plain search will do. */
static void vouch(int fd) {
    struct stat info;
    if (!words || kind(fd) != 1 || fstat(fd, &info) != 0) return;
    for (int i = 0; i < PAIRS; i++) {
        int64_t *pair = &words[FILES + 2 * i];
        if (pair[0] != 0 && pair[0] != (int64_t)info.st_ino) continue;
        __atomic_store_n(&pair[1], info.st_size, __ATOMIC_RELEASE);
        __atomic_store_n(&pair[0], (int64_t)info.st_ino, __ATOMIC_RELEASE);
        return;
    }
}

static int sync_with(int fd, long call) {
    int ours = concerns(fd);
    int64_t delay = word(DELAY_US);
    if (ours && delay > 0) {
        struct timespec wait = {delay / 1000000, delay % 1000000 * 1000};
        count(DELAYED);
        while (nanosleep(&wait, &wait) != 0 && errno == EINTR) {}
    }
    if (ours && word(SYNC_FAILS)) {
        count(SYNC_REFUSED);
        errno = EIO;
        return -1;
    }
    int done = (int)syscall(call, fd);
    if (done == 0) vouch(fd);
    return done;
}

int fdatasync(int fd) { return sync_with(fd, SYS_fdatasync); }
int fsync(int fd) { return sync_with(fd, SYS_fsync); }

int clock_gettime(clockid_t clock, struct timespec *now) {
    static int (*real)(clockid_t, struct timespec *);
    if (!real) real = dlsym(RTLD_NEXT, "clock_gettime");
    int done = real(clock, now);
    int64_t shift = word(SHIFT_US);
    if (done == 0 && shift != 0 && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE)) {
        int64_t us = shift % 1000000, ns = now->tv_nsec + us * 1000;
        now->tv_sec += shift / 1000000 + (ns >= 1000000000) - (ns < 0);
        now->tv_nsec = ns + (ns < 0) * 1000000000 - (ns >= 1000000000) * 1000000000;
    }
    return done;
}

int gettimeofday(struct timeval *restrict now, void *restrict zone) {
    struct timespec precise;
    (void)zone;
    if (clock_gettime(CLOCK_REALTIME, &precise) != 0) return -1;
    now->tv_sec = precise.tv_sec;
    now->tv_usec = precise.tv_nsec / 1000;
    return 0;
}
