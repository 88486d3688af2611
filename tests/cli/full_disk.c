// Loaded before the C library: the disk is full, for the records of a job, after FULL_AFTER writes to them. Whatever needs room then fails:
// a new file, a new folder, bytes. What a simulated board keeps of itself is not counted.
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

static long done;

static int is_record(const char *path)
{
    return strstr(path, "/snapshots") != NULL || strstr(path, "/journal") != NULL;
}

static int no_room(const char *path)
{
    const char *after = getenv("FULL_AFTER");
    if (after == NULL || !is_record(path) || done++ < atol(after))
        return 0;
    errno = ENOSPC;
    return 1;
}

static int no_room_in(int file)
{
    char name[64], path[4096];
    snprintf(name, sizeof name, "/proc/self/fd/%d", file);
    ssize_t length = readlink(name, path, sizeof path - 1);
    if (length < 0)
        return 0;
    path[length] = '\0';
    return no_room(path);
}

ssize_t write(int file, const void *bytes, size_t count)
{
    ssize_t (*next)(int, const void *, size_t) = dlsym(RTLD_NEXT, "write");
    return no_room_in(file) ? -1 : next(file, bytes, count);
}

ssize_t pwrite64(int file, const void *bytes, size_t count, off64_t at)
{
    ssize_t (*next)(int, const void *, size_t, off64_t) = dlsym(RTLD_NEXT, "pwrite64");
    return no_room_in(file) ? -1 : next(file, bytes, count, at);
}

ssize_t pwrite(int file, const void *bytes, size_t count, off_t at)
{
    ssize_t (*next)(int, const void *, size_t, off_t) = dlsym(RTLD_NEXT, "pwrite");
    return no_room_in(file) ? -1 : next(file, bytes, count, at);
}

int mkdir(const char *path, mode_t mode)
{
    int (*next)(const char *, mode_t) = dlsym(RTLD_NEXT, "mkdir");
    return no_room(path) ? -1 : next(path, mode);
}

static int open_by(const char *name, const char *path, int flags, mode_t mode)
{
    int (*next)(const char *, int, ...) = dlsym(RTLD_NEXT, name);
    int makes = (flags & O_CREAT) != 0 && access(path, F_OK) != 0;
    return makes && no_room(path) ? -1 : next(path, flags, mode);
}

int open(const char *path, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    mode_t mode = (flags & O_CREAT) != 0 ? va_arg(more, mode_t) : 0;
    va_end(more);
    return open_by("open", path, flags, mode);
}

int open64(const char *path, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    mode_t mode = (flags & O_CREAT) != 0 ? va_arg(more, mode_t) : 0;
    va_end(more);
    return open_by("open64", path, flags, mode);
}
