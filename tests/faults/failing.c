/* Lets one chosen operation of a process on files fail, whoever calls it: Python, Arrow or the database.
 *
 * Loaded before the C library. `arm(nth, how, folder)` counts writes, forced writes, renames, links and removals below
 * a folder from then on; the nth of them dies, fails with a number of errno, or is torn: half is written, then it dies.
 * `counted()` says how many there were. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

enum { DIE = -1, TORN = -2 };
static long chosen, count;
static int way;
static char below[PATH_MAX];

void arm(long nth, int how, const char *folder) {
    strncpy(below, folder, sizeof below - 1);
    count = 0;
    way = how;
    chosen = nth;
}

long counted(void) { return count; }

static int is_below(const char *path) { return below[0] && strstr(path, below) != NULL; }

static int is_ours(int number) {
    char link[64], path[PATH_MAX];
    if (!below[0]) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", number);
    ssize_t size = readlink(link, path, sizeof path - 1);
    if (size < 0) return 0;
    path[size] = 0;
    return is_below(path);
}

/* 0 go on, 1 fail with errno set, 2 write half and die */
static int fails(int ours) {
    if (!ours || __sync_add_and_fetch(&count, 1) != chosen) return 0;
    if (way == DIE) _exit(77);
    if (way == TORN) return 2;
    errno = way;
    return 1;
}

#define REAL(name) static __typeof__(&name) real; if (!real) real = (__typeof__(&name))dlsym(RTLD_NEXT, #name)

ssize_t write(int number, const void *data, size_t size) {
    REAL(write);
    switch (fails(is_ours(number))) {
        case 1: return -1;
        case 2: real(number, data, size / 2); _exit(77);
    }
    return real(number, data, size);
}

#define PWRITE(name, offset_type)                                                       \
    ssize_t name(int number, const void *data, size_t size, offset_type offset) {       \
        REAL(name);                                                                     \
        switch (fails(is_ours(number))) {                                               \
            case 1: return -1;                                                          \
            case 2: real(number, data, size / 2, offset); _exit(77);                    \
        }                                                                               \
        return real(number, data, size, offset);                                        \
    }
PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

#define SIMPLE(name, declared, given, ours)          \
    int name declared {                              \
        REAL(name);                                  \
        switch (fails(ours)) {                       \
            case 1: return -1;                       \
            case 2: _exit(77);                       \
        }                                            \
        return real given;                           \
    }
SIMPLE(fsync, (int number), (number), is_ours(number))
SIMPLE(fdatasync, (int number), (number), is_ours(number))
SIMPLE(ftruncate, (int number, off_t size), (number, size), is_ours(number))
SIMPLE(ftruncate64, (int number, off64_t size), (number, size), is_ours(number))
SIMPLE(rename, (const char *from, const char *to), (from, to), is_below(to))
SIMPLE(renameat, (int a, const char *from, int b, const char *to), (a, from, b, to), is_below(to))
SIMPLE(link, (const char *from, const char *to), (from, to), is_below(to))
SIMPLE(linkat, (int a, const char *from, int b, const char *to, int flags), (a, from, b, to, flags), is_below(to))
SIMPLE(unlink, (const char *path), (path), is_below(path))
SIMPLE(unlinkat, (int folder, const char *path, int flags), (folder, path, flags), is_below(path) || is_ours(folder))
