/* Fails one call of a program to the system, where it touches a file below one folder.
 *
 * Loaded with LD_PRELOAD. faults_arm(n, error, short) makes the n-th such call fail with errno
 * `error`; with `short` a write takes half of its bytes instead. faults_hit() tells whether it came
 * to that. EBBWATT_FAULTS_UNDER names the folder.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

static long countdown, hits;
static int fault, halves, lasting;

void faults_arm(long n, int error, int half, int stays) {
    countdown = n;
    fault = error;
    halves = half;
    lasting = stays;
    hits = 0;
}

long faults_hit(void) { return hits; }

static int below(const char *path) {
    const char *under = getenv("EBBWATT_FAULTS_UNDER");
    return under != NULL && strncmp(path, under, strlen(under)) == 0;
}

static int below_fd(int fd) {
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length <= 0) return 0;
    path[length] = 0;
    return below(path);
}

/* Counts a call that concerns us; 1 where it is the one to fail. */
static int due(int concerns) {
    if (countdown <= 0 || !concerns) return 0;
    if (countdown > 1) {
        countdown--;
        return 0;
    }
    if (!lasting) countdown = 0;
    hits++;
    return 1;
}

#define REAL(type, name, ...)                                                                      \
    static type (*real)(__VA_ARGS__);                                                              \
    if (real == NULL) real = (type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)
#define FAIL                                                                                       \
    do {                                                                                           \
        errno = fault;                                                                             \
        return -1;                                                                                 \
    } while (0)

ssize_t write(int fd, const void *data, size_t count) {
    REAL(ssize_t, "write", int, const void *, size_t);
    if (countdown > 0 && due(below_fd(fd))) {
        if (!halves) FAIL;
        count = count / 2 > 0 ? count / 2 : count;
    }
    return real(fd, data, count);
}

#define PWRITE(name, offset)                                                                       \
    ssize_t name(int fd, const void *data, size_t count, offset at) {                              \
        REAL(ssize_t, #name, int, const void *, size_t, offset);                                   \
        if (countdown > 0 && due(below_fd(fd))) {                                                  \
            if (!halves) FAIL;                                                                     \
            count = count / 2 > 0 ? count / 2 : count;                                             \
        }                                                                                          \
        return real(fd, data, count, at);                                                          \
    }
PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

#define ON_FD(name)                                                                                \
    int name(int fd) {                                                                             \
        REAL(int, #name, int);                                                                     \
        if (countdown > 0 && !halves && due(below_fd(fd))) FAIL;                                   \
        return real(fd);                                                                           \
    }
ON_FD(fsync)
ON_FD(fdatasync)

#define TRUNCATE(name, offset)                                                                     \
    int name(int fd, offset length) {                                                              \
        REAL(int, #name, int, offset);                                                             \
        if (countdown > 0 && !halves && due(below_fd(fd))) FAIL;                                   \
        return real(fd, length);                                                                   \
    }
TRUNCATE(ftruncate, off_t)
TRUNCATE(ftruncate64, off64_t)

int rename(const char *from, const char *to) {
    REAL(int, "rename", const char *, const char *);
    if (countdown > 0 && !halves && due(below(to))) FAIL;
    return real(from, to);
}

#define OPEN(name)                                                                                 \
    int name(const char *path, int flags, ...) {                                                   \
        REAL(int, #name, const char *, int, ...);                                                  \
        va_list rest;                                                                              \
        va_start(rest, flags);                                                                     \
        mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(rest, mode_t) : 0;                    \
        va_end(rest);                                                                              \
        if (countdown > 0 && !halves && due(below(path))) FAIL;                                    \
        return real(path, flags, mode);                                                            \
    }
OPEN(open)
OPEN(open64)
