/* Loaded before the C library (LD_PRELOAD): from the n-th change below a folder on, the disk fails.

   Changes are whatever writes there: opening for writing, writing (also SQLite's), syncing, renaming, making, removing. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <limits.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/sendfile.h>
#include <sys/stat.h>
#include <sys/uio.h>
#include <unistd.h>

static char root[PATH_MAX];
static long fails_at, count;
static int error_number, only_once;
/* What changed: the name of the function, and the path. */
enum { MOST = 1 << 16, LONGEST = 512 };
static char changes[MOST][LONGEST];

/* Fail from the given change on, or at that one alone; at 0 only count. An empty folder: nothing is below it,
   and what was counted stays.
   A negative number is a signal that ends the process there. */
void failing_disk_set(const char *below, long at, int number, int once)
{
    fails_at = at;
    error_number = number;
    only_once = once;
    if (below[0])
        __atomic_store_n(&count, 0, __ATOMIC_SEQ_CST);
    snprintf(root, sizeof root, "%s", below);
}

long failing_disk_count(void) { return __atomic_load_n(&count, __ATOMIC_SEQ_CST); }

/* The n-th change, from 0. */
const char *failing_disk_change(long n) { return changes[n % MOST]; }

static int fails(const char *name, const char *path)
{
    if (!root[0] || strncmp(path, root, strlen(root)) != 0)
        return 0;
    long now = __atomic_add_fetch(&count, 1, __ATOMIC_SEQ_CST);
    snprintf(changes[(now - 1) % MOST], LONGEST, "%s\t%s", name, path + strlen(root));
    if (fails_at == 0 || now < fails_at || (only_once && now > fails_at))
        return 0;
    /* Who removes something finds a full disk to be no hindrance. */
    if (error_number == ENOSPC && (!strncmp(name, "unlink", 6) || !strcmp(name, "rmdir")))
        return 0;
    if (error_number < 0)
        kill(getpid(), -error_number);
    errno = error_number;
    return 1;
}

static int fails_in(const char *name, int folder, const char *path)
{
    char of_folder[64], place[2 * PATH_MAX];
    if (!root[0] || path[0] == '/')
        return root[0] && fails(name, path);
    if (folder == AT_FDCWD)
        snprintf(of_folder, sizeof of_folder, "/proc/self/cwd");
    else
        snprintf(of_folder, sizeof of_folder, "/proc/self/fd/%d", folder);
    ssize_t length = readlink(of_folder, place, PATH_MAX);
    if (length < 0)
        return 0;
    snprintf(place + length, sizeof place - (size_t)length, "/%s", path);
    return fails(name, place);
}

static int fails_at_handle(const char *function, int handle)
{
    char name[64], place[PATH_MAX];
    if (!root[0])
        return 0;
    snprintf(name, sizeof name, "/proc/self/fd/%d", handle);
    ssize_t length = readlink(name, place, sizeof place - 1);
    if (length < 0)
        return 0;
    place[length] = 0;
    return fails(function, place);
}

#define OWN(type, name, parameters, arguments, test)                          \
    type name parameters                                                      \
    {                                                                         \
        static type (*usual) parameters;                                      \
        if (!usual)                                                           \
            *(void **)&usual = dlsym(RTLD_NEXT, #name);                       \
        return (test) ? -1 : usual arguments;                                 \
    }

OWN(ssize_t, write, (int f, const void *d, size_t n), (f, d, n), fails_at_handle(__func__, f))
OWN(ssize_t, pwrite, (int f, const void *d, size_t n, off_t o), (f, d, n, o), fails_at_handle(__func__, f))
OWN(ssize_t, pwrite64, (int f, const void *d, size_t n, off64_t o), (f, d, n, o), fails_at_handle(__func__, f))
OWN(ssize_t, writev, (int f, const struct iovec *v, int n), (f, v, n), fails_at_handle(__func__, f))
OWN(ssize_t, sendfile, (int f, int from, off_t *o, size_t n), (f, from, o, n), fails_at_handle(__func__, f))
OWN(ssize_t, sendfile64, (int f, int from, off64_t *o, size_t n), (f, from, o, n), fails_at_handle(__func__, f))
OWN(int, fsync, (int f), (f), fails_at_handle(__func__, f))
OWN(int, fdatasync, (int f), (f), fails_at_handle(__func__, f))
OWN(int, ftruncate, (int f, off_t n), (f, n), fails_at_handle(__func__, f))
OWN(int, ftruncate64, (int f, off64_t n), (f, n), fails_at_handle(__func__, f))
OWN(int, rename, (const char *a, const char *b), (a, b), fails_in(__func__, AT_FDCWD, b))
OWN(int, renameat, (int f, const char *a, int g, const char *b), (f, a, g, b), fails_in(__func__, g, b))
OWN(int, link, (const char *a, const char *b), (a, b), fails_in(__func__, AT_FDCWD, b))
OWN(int, linkat, (int f, const char *a, int g, const char *b, int w), (f, a, g, b, w), fails_in(__func__, g, b))
OWN(int, mkdir, (const char *p, mode_t m), (p, m), fails_in(__func__, AT_FDCWD, p))
OWN(int, mkdirat, (int f, const char *p, mode_t m), (f, p, m), fails_in(__func__, f, p))
OWN(int, rmdir, (const char *p), (p), fails_in(__func__, AT_FDCWD, p))
OWN(int, unlink, (const char *p), (p), fails_in(__func__, AT_FDCWD, p))
OWN(int, unlinkat, (int f, const char *p, int w), (f, p, w), fails_in(__func__, f, p))

#define OWN_OPEN(name, first, given, folder)                                  \
    int name(first const char *path, int flags, ...)                          \
    {                                                                         \
        static int (*usual)(first const char *, int, ...);                    \
        if (!usual)                                                           \
            *(void **)&usual = dlsym(RTLD_NEXT, #name);                       \
        va_list rest;                                                         \
        va_start(rest, flags);                                                \
        mode_t mode = (flags & (O_CREAT | O_TMPFILE)) ? va_arg(rest, mode_t) : 0; \
        va_end(rest);                                                         \
        if ((flags & (O_WRONLY | O_RDWR | O_CREAT | O_TRUNC)) && fails_in(__func__, folder, path)) \
            return -1;                                                        \
        return usual(given path, flags, mode);                                \
    }

#define COMMA ,
OWN_OPEN(open, , , AT_FDCWD)
OWN_OPEN(open64, , , AT_FDCWD)
OWN_OPEN(openat, int handle COMMA, handle COMMA, handle)
OWN_OPEN(openat64, int handle COMMA, handle COMMA, handle)
