/* Records what a process writes below a folder, in order, so that a power cut can be played at every point of it.
   gcc -O2 -shared -fPIC -o oplog.so oplog.c -ldl;  LD_PRELOAD=oplog.so OPLOG_DIR=folder OPLOG_OUT=log program
   A record, little endian: op (1), length of the path (2), offset (8), length of the data (4), path, data.
   Ops: w write, s sync, t truncate, u unlink, r rename (data: the new path), c create. Memory maps are not seen: the -shm file
   dies with the power. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <unistd.h>

static pthread_mutex_t mu = PTHREAD_MUTEX_INITIALIZER;
static int out = -2;
static const char *dir;

static int mine(const char *p) {
    if (out == -2) {
        const char *o = getenv("OPLOG_OUT");
        dir = getenv("OPLOG_DIR");
        out = dir && o ? (int)syscall(SYS_openat, AT_FDCWD, o, O_CREAT | O_WRONLY | O_APPEND | O_CLOEXEC, 0600) : -1;
    }
    return out >= 0 && !strncmp(p, dir, strlen(dir));
}

static int fdp(int fd, char *b) {
    char l[40];
    snprintf(l, sizeof l, "/proc/self/fd/%d", fd);
    ssize_t r = readlink(l, b, PATH_MAX - 1);
    if (r < 0) return 0;
    b[r] = 0;
    return mine(b);
}

static void rec(char op, const char *p, int64_t off, const void *d, uint32_t n) {
    uint16_t k = strlen(p);
    char *b = malloc(15 + k + n);
    b[0] = op;
    memcpy(b + 1, &k, 2);
    memcpy(b + 3, &off, 8);
    memcpy(b + 11, &n, 4);
    memcpy(b + 15, p, k);
    if (n) memcpy(b + 15 + k, d, n);
    if (syscall(SYS_write, out, b, 15 + k + n) < 0) abort();
    free(b);
}

static void rec_sent(const char *p, int to, int from, off64_t at, ssize_t n) {
    char *b = malloc(n + 1);
    if (syscall(SYS_pread64, from, b, n, at) != n) abort();
    rec('w', p, lseek(to, 0, SEEK_CUR) - n, b, n);
    free(b);
}

#define WRAP(ret, name, args, call, test, log) ret name args { \
    static ret (*real) args; if (!real) real = dlsym(RTLD_NEXT, #name); \
    char p[PATH_MAX]; (void)p; if (!(test)) return real call; \
    pthread_mutex_lock(&mu); ret r = real call; if (r >= 0) log; pthread_mutex_unlock(&mu); return r; }

WRAP(ssize_t, pwrite64, (int fd, const void *d, size_t n, off64_t o), (fd, d, n, o), fdp(fd, p), rec('w', p, o, d, r))
WRAP(ssize_t, pwrite, (int fd, const void *d, size_t n, off_t o), (fd, d, n, o), fdp(fd, p), rec('w', p, o, d, r))
WRAP(ssize_t, write, (int fd, const void *d, size_t n), (fd, d, n), fdp(fd, p), rec('w', p, lseek(fd, 0, SEEK_CUR) - r, d, r))
WRAP(int, fsync, (int fd), (fd), fdp(fd, p), rec('s', p, 0, 0, 0))
WRAP(int, fdatasync, (int fd), (fd), fdp(fd, p), rec('s', p, 0, 0, 0))
WRAP(int, ftruncate64, (int fd, off64_t n), (fd, n), fdp(fd, p), rec('t', p, n, 0, 0))
WRAP(int, ftruncate, (int fd, off_t n), (fd, n), fdp(fd, p), rec('t', p, n, 0, 0))
WRAP(int, unlink, (const char *f), (f), mine(f), rec('u', f, 0, 0, 0))
WRAP(int, rename, (const char *a, const char *b), (a, b), mine(b), rec('r', a, 0, b, strlen(b)))
/* shutil.copyfile sends from file to file inside the kernel. */
WRAP(ssize_t, sendfile64, (int to, int from, off64_t *o, size_t n), (to, from, o, n), fdp(to, p), rec_sent(p, to, from, o ? *o - r : lseek(from, 0, SEEK_CUR) - r, r))
WRAP(ssize_t, sendfile, (int to, int from, off_t *o, size_t n), (to, from, o, n), fdp(to, p), rec_sent(p, to, from, o ? *o - r : lseek(from, 0, SEEK_CUR) - r, r))

/* O_TRUNC is a truncation; a file that is not there yet is created. */
#define OPEN(name) int name(const char *f, int fl, ...) { \
    static int (*real)(const char *, int, ...); if (!real) real = dlsym(RTLD_NEXT, #name); \
    va_list v; va_start(v, fl); int m = va_arg(v, int); va_end(v); \
    if (!(fl & (O_CREAT | O_TRUNC)) || !mine(f)) return real(f, fl, m); \
    pthread_mutex_lock(&mu); int there = !access(f, F_OK); int r = real(f, fl, m); \
    if (r >= 0 && !there) rec('c', f, 0, 0, 0); else if (r >= 0 && (fl & O_TRUNC)) rec('t', f, 0, 0, 0); \
    pthread_mutex_unlock(&mu); return r; }
OPEN(open)
OPEN(open64)
