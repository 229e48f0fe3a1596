/* Lets the n-th call that changes files below a folder fail, or end the process; loaded with LD_PRELOAD. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { COUNT, FULL, EIO_ONCE, KILL };
static char folder[4096], names[1 << 16];
static long at, seen;
static int kind;

void faults_arm(const char *below, int how, long number) {
    snprintf(folder, sizeof folder, "%s/", below);
    kind = how, at = number, seen = 0, names[0] = 0;
}
const char *faults_seen(void) { return names; }

static int below(const char *path) { return *folder && path && !strncmp(path, folder, strlen(folder)); }
static int within(int descriptor) {
    char link[64], path[4096];
    if (!*folder) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", descriptor);
    ssize_t length = readlink(link, path, sizeof path - 1);
    path[length < 0 ? 0 : length] = 0;
    return below(path);
}
/* Whether this call meets the fault; a full disk stays full. */
static int met(const char *name) {
    ++seen;
    if (kind == COUNT) strncat(strncat(names, name, 40), " ", 2);
    return kind == FULL ? seen >= at : kind != COUNT && seen == at;
}
static int refused(int frees) {
    if (kind == KILL) _exit(137);
    if (kind == FULL && frees) return 0; /* a full disk refuses nothing that needs no room */
    errno = kind == FULL ? ENOSPC : EIO;
    return 1;
}
#define REAL(result, name, types) \
    static result(*real) types; \
    if (!real) real = (result(*) types)dlsym(RTLD_NEXT, #name)
/* Half of what is written arrives before the end, or before the disk is full. */
#define WRITES(name, types, parameters, half) \
    ssize_t name types { \
        REAL(ssize_t, name, types); \
        if (!within(fd) || !met(#name)) return real parameters; \
        if (kind != EIO_ONCE && seen == at && count > 1) { \
            ssize_t done = real half; \
            if (kind == FULL) return done; \
        } \
        refused(0); \
        return -1; \
    }
WRITES(write, (int fd, const void *data, size_t count), (fd, data, count), (fd, data, count / 2))
WRITES(pwrite, (int fd, const void *data, size_t count, off_t place), (fd, data, count, place), (fd, data, count / 2, place))
WRITES(pwrite64, (int fd, const void *data, size_t count, off64_t place), (fd, data, count, place), (fd, data, count / 2, place))

#define CALL(name, types, parameters, concerned, frees) \
    int name types { \
        REAL(int, name, types); \
        return concerned && met(#name) && refused(frees) ? -1 : real parameters; \
    }
CALL(fsync, (int fd), (fd), within(fd), 1)
CALL(fdatasync, (int fd), (fd), within(fd), 1)
CALL(ftruncate, (int fd, off_t size), (fd, size), within(fd), 1)
CALL(ftruncate64, (int fd, off64_t size), (fd, size), within(fd), 1)
CALL(rename, (const char *from, const char *to), (from, to), below(to), 0)
CALL(renameat2, (int a, const char *from, int b, const char *to, unsigned int how), (a, from, b, to, how), below(to), 0)
CALL(link, (const char *from, const char *to), (from, to), below(to), 0)
CALL(unlink, (const char *path), (path), below(path), 1)
CALL(rmdir, (const char *path), (path), below(path), 1)
CALL(mkdir, (const char *path, mode_t mode), (path, mode), below(path), 0)
CALL(chmod, (const char *path, mode_t mode), (path, mode), below(path), 1)

#define OPENS(name) \
    int name(const char *path, int flags, ...) { \
        va_list more; \
        va_start(more, flags); \
        mode_t mode = flags & O_CREAT ? va_arg(more, mode_t) : 0; \
        va_end(more); \
        REAL(int, name, (const char *, int, ...)); \
        int makes = flags & O_CREAT && below(path) && access(path, F_OK); \
        return makes && met(#name) && refused(0) ? -1 : real(path, flags, mode); \
    }
OPENS(open)
OPENS(open64)
