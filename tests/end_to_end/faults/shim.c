/* Stands between the program and its files (LD_PRELOAD, ld.so(8)). Every change to what lies under
 * FAULT_UNDER is counted and named in the file FAULT_LOG; the change with the number FAULT_AT fails
 * as FAULT_HOW says:
 *
 *   eio     it is refused: input/output error
 *   full    a write puts down half of its bytes, and from then on the disk is full
 *   short   a write puts down half of its bytes, and everything goes on
 *   kill    the process ends there, as by a power cut
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

static atomic_int changes;
static atomic_int is_full;

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

static int is_watched(const char *path) {
    const char *under = getenv("FAULT_UNDER");
    return under && path && strncmp(path, under, strlen(under)) == 0;
}

static int is_watched_file(int fd) {
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length <= 0) return 0;
    path[length] = 0;
    return is_watched(path);
}

/* Counts a change, and says whether it is the one that fails. */
static int fails(const char *what) {
    int number = atomic_fetch_add(&changes, 1) + 1;
    const char *log = getenv("FAULT_LOG");
    if (log) {
        int fd = REAL(open)(log, O_WRONLY | O_CREAT | O_APPEND, 0600);
        if (fd >= 0) {
            dprintf(fd, "%s\n", what);
            close(fd);
        }
    }
    const char *at = getenv("FAULT_AT");
    if (!at || atoi(at) != number) return 0;
    if (strcmp(getenv("FAULT_HOW"), "kill") == 0) raise(SIGKILL);
    return 1;
}

static int is_how(const char *how) {
    const char *is = getenv("FAULT_HOW");
    return is && strcmp(is, how) == 0;
}

/* A change that can only be made or refused: 0, or -1 with errno. */
static int refused(const char *what) {
    int fail = fails(what);
    if (fail && is_how("full")) atomic_store(&is_full, 1);
    if (atomic_load(&is_full)) {
        errno = ENOSPC;
        return -1;
    }
    if (fail && is_how("eio")) {
        errno = EIO;
        return -1;
    }
    return 0;
}

static int opened(int (*real)(const char *, int, ...), const char *path, int flags, mode_t mode) {
    if (is_watched(path) && (flags & (O_WRONLY | O_RDWR | O_CREAT | O_TRUNC)) && refused("open")) return -1;
    return real(path, flags, mode);
}

int open(const char *path, int flags, ...) {
    va_list more;
    va_start(more, flags);
    mode_t mode = flags & O_CREAT ? va_arg(more, mode_t) : 0;
    va_end(more);
    return opened(REAL(open), path, flags, mode);
}

int open64(const char *path, int flags, ...) {
    va_list more;
    va_start(more, flags);
    mode_t mode = flags & O_CREAT ? va_arg(more, mode_t) : 0;
    va_end(more);
    return opened(REAL(open64), path, flags, mode);
}

ssize_t write(int fd, const void *bytes, size_t length) {
    ssize_t (*real)(int, const void *, size_t) = REAL(write);
    if (!is_watched_file(fd)) return real(fd, bytes, length);
    if (atomic_load(&is_full)) {
        errno = ENOSPC;
        return -1;
    }
    if (!fails("write")) return real(fd, bytes, length);
    if (is_how("eio")) {
        errno = EIO;
        return -1;
    }
    if (is_how("full")) atomic_store(&is_full, 1);
    if (length < 2) {
        if (!is_how("full")) return real(fd, bytes, length);
        errno = ENOSPC;
        return -1;
    }
    return real(fd, bytes, length / 2);
}

ssize_t writev(int fd, const struct iovec *parts, int count) {
    if (!is_watched_file(fd) || count < 1) return REAL(writev)(fd, parts, count);
    return write(fd, parts[0].iov_base, parts[0].iov_len);
}

int fsync(int fd) {
    if (is_watched_file(fd) && refused("fsync")) return -1;
    return REAL(fsync)(fd);
}

int fdatasync(int fd) {
    if (is_watched_file(fd) && refused("fsync")) return -1;
    return REAL(fdatasync)(fd);
}

int rename(const char *from, const char *to) {
    if (is_watched(to) && refused("rename")) return -1;
    return REAL(rename)(from, to);
}

int mkdir(const char *path, mode_t mode) {
    if (is_watched(path) && refused("mkdir")) return -1;
    return REAL(mkdir)(path, mode);
}
