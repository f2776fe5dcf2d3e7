/* Writes down what a process has done to the files below TIEPOINT_POWER_ROOT, in its order, for who works out what a
 * disk holds when the power goes off; and moves its clock by the seconds that the file TIEPOINT_POWER_CLOCK holds.
 *
 * Preloaded into a process. Each call is done and written down under one lock, so that the order in the journal
 * (TIEPOINT_POWER_JOURNAL) is the order of what was done. An entry: kind, two numbers, the time by the monotonic clock
 * (ns), the lengths of two texts, the texts. Files are named by their inode. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static const char *root, *clock_file;
static int journal = -2;

#define REAL(type, name, ...) \
    static type (*real)(__VA_ARGS__); \
    if (!real) real = (type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)

static void begin(void) {
    if (journal != -2) return;
    root = getenv("TIEPOINT_POWER_ROOT");
    clock_file = getenv("TIEPOINT_POWER_CLOCK");
    const char *to = getenv("TIEPOINT_POWER_JOURNAL");
    journal = root && to ? (int)syscall(SYS_openat, AT_FDCWD, to, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644) : -1;
}

static void say(char kind, uint64_t a, uint64_t b, const void *one, uint32_t n, const void *two, uint32_t m) {
    struct timespec now;
    syscall(SYS_clock_gettime, CLOCK_MONOTONIC, &now);
    struct __attribute__((packed)) { char kind; uint64_t a, b, ns; uint32_t n, m; } head =
        {kind, a, b, (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec, n, m};
    struct iovec parts[3] = {{&head, sizeof head}, {(void *)one, n}, {(void *)two, m}};
    if (syscall(SYS_writev, journal, parts, 3) != (long)(sizeof head + n + m)) abort();
}

static int below(const char *path) {
    size_t n = strlen(root);
    return !strncmp(path, root, n) && (path[n] == '/' || !path[n]);
}

/* The whole path of what is called so; "" where it is not below the root. */
static void whole(int at, const char *path, char *out) {
    char start[PATH_MAX] = "", link[64];
    out[0] = 0;
    if (!path) return;
    if (path[0] != '/') {
        if (at == AT_FDCWD) { if (!getcwd(start, sizeof start)) return; }
        else {
            snprintf(link, sizeof link, "/proc/self/fd/%d", at);
            ssize_t n = readlink(link, start, sizeof start - 1);
            if (n < 0) return;
            start[n] = 0;
        }
    }
    if (snprintf(out, PATH_MAX, "%s%s%s", start, start[0] ? "/" : "", path) >= PATH_MAX || !below(out)) out[0] = 0;
}

/* Whether an open file lies below the root: its inode, or 0. */
static uint64_t inode_of(int fd) {
    char link[64], path[PATH_MAX];
    struct stat told;
    if (journal < 0) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n <= 0) return 0;
    path[n] = 0;
    return below(path) && !fstat(fd, &told) && (S_ISREG(told.st_mode) || S_ISDIR(told.st_mode)) ? told.st_ino : 0;
}

static int opened(int at, const char *path, int flags, mode_t mode) {
    char full[PATH_MAX];
    struct stat told;
    begin();
    if (journal < 0 || !(flags & (O_CREAT | O_TRUNC))) return (int)syscall(SYS_openat, at, path, flags, mode);
    pthread_mutex_lock(&lock);
    int fd = (int)syscall(SYS_openat, at, path, flags, mode), kept = errno;
    whole(at, path, full);
    if (fd >= 0 && full[0] && !fstat(fd, &told) && S_ISREG(told.st_mode))
        say('o', told.st_ino, (uint64_t)told.st_size, full, (uint32_t)strlen(full), "", 0);
    pthread_mutex_unlock(&lock);
    errno = kept;
    return fd;
}

#define MODE mode_t mode = 0; if (flags & O_CREAT) { va_list l; va_start(l, flags); mode = va_arg(l, mode_t); va_end(l); }
int open(const char *path, int flags, ...) { MODE return opened(AT_FDCWD, path, flags, mode); }
int open64(const char *path, int flags, ...) { MODE return opened(AT_FDCWD, path, flags, mode); }
int openat(int at, const char *path, int flags, ...) { MODE return opened(at, path, flags, mode); }
int openat64(int at, const char *path, int flags, ...) { MODE return opened(at, path, flags, mode); }

#define KEPT(call, then) \
    uint64_t inode; \
    begin(); \
    if (!(inode = inode_of(fd))) return call; \
    pthread_mutex_lock(&lock); \
    ssize_t done = call; \
    int kept = errno; \
    if (done >= 0) { then; } \
    pthread_mutex_unlock(&lock); \
    errno = kept; \
    return done

ssize_t write(int fd, const void *data, size_t n) {
    KEPT(syscall(SYS_write, fd, data, n),
         say('w', inode, (uint64_t)lseek(fd, 0, SEEK_CUR) - (uint64_t)done, "", 0, data, (uint32_t)done));
}
ssize_t pwrite(int fd, const void *data, size_t n, off_t at) {
    KEPT(syscall(SYS_pwrite64, fd, data, n, at), say('w', inode, (uint64_t)at, "", 0, data, (uint32_t)done));
}
ssize_t pwrite64(int fd, const void *data, size_t n, off_t at) { return pwrite(fd, data, n, at); }
static int synced(int fd, long call) { KEPT(syscall(call, fd), say('s', inode, 0, "", 0, "", 0)); }
int fsync(int fd) { return synced(fd, SYS_fsync); }
int fdatasync(int fd) { return synced(fd, SYS_fdatasync); }
int ftruncate(int fd, off_t n) { KEPT(syscall(SYS_ftruncate, fd, n), say('t', inode, (uint64_t)n, "", 0, "", 0)); }
int ftruncate64(int fd, off_t n) { return ftruncate(fd, n); }
/* What nobody here is known to call, and what the journal would not show, ends the process. */
ssize_t writev(int fd, const struct iovec *v, int n) { begin(); if (inode_of(fd)) abort(); return syscall(SYS_writev, fd, v, n); }
ssize_t sendfile(int to, int from, off_t *at, size_t n) { begin(); if (inode_of(to)) abort(); return syscall(SYS_sendfile, to, from, at, n); }
ssize_t sendfile64(int to, int from, off_t *at, size_t n) { return sendfile(to, from, at, n); }

static int named(char kind, int at, const char *one, int to, const char *two, long call, int flags) {
    char first[PATH_MAX], second[PATH_MAX] = "";
    struct stat told = {0};
    begin();
    if (journal >= 0) pthread_mutex_lock(&lock);
    int done = (int)(two ? syscall(call, at, one, to, two, flags) : syscall(call, at, one, flags)), kept = errno;
    if (journal >= 0) {
        if (!done) {
            whole(at, one, first);
            if (two) whole(to, two, second);
            if (kind == 'd') fstatat(at, one, &told, 0);
            if (first[0] || second[0])
                say(kind, told.st_ino, 0, first, (uint32_t)strlen(first), second, (uint32_t)strlen(second));
        }
        pthread_mutex_unlock(&lock);
    }
    errno = kept;
    return done;
}

int rename(const char *a, const char *b) { return named('r', AT_FDCWD, a, AT_FDCWD, b, SYS_renameat2, 0); }
int renameat(int f, const char *a, int t, const char *b) { return named('r', f, a, t, b, SYS_renameat2, 0); }
int link(const char *a, const char *b) { return named('l', AT_FDCWD, a, AT_FDCWD, b, SYS_linkat, 0); }
int linkat(int f, const char *a, int t, const char *b, int flags) { return named('l', f, a, t, b, SYS_linkat, flags); }
int unlink(const char *a) { return named('u', AT_FDCWD, a, 0, 0, SYS_unlinkat, 0); }
int unlinkat(int at, const char *a, int flags) { return named('u', at, a, 0, 0, SYS_unlinkat, flags); }
int rmdir(const char *a) { return named('u', AT_FDCWD, a, 0, 0, SYS_unlinkat, AT_REMOVEDIR); }
int mkdir(const char *a, mode_t mode) { return named('d', AT_FDCWD, a, 0, 0, SYS_mkdirat, (int)mode); }
int mkdirat(int at, const char *a, mode_t mode) { return named('d', at, a, 0, 0, SYS_mkdirat, (int)mode); }

int clock_gettime(clockid_t which, struct timespec *out) {
    begin();
    int done = (int)syscall(SYS_clock_gettime, which, out);
    if (!done && which == CLOCK_REALTIME && clock_file) {
        char text[32] = "";
        int fd = (int)syscall(SYS_openat, AT_FDCWD, clock_file, O_RDONLY | O_CLOEXEC, 0);
        if (fd >= 0) {
            if (syscall(SYS_read, fd, text, sizeof text - 1) > 0) out->tv_sec += atol(text);
            syscall(SYS_close, fd);
        }
    }
    return done;
}
