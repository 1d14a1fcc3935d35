/* Kill a process group at its n-th change of a file: start it with this library in LD_PRELOAD.

   LULLWATT_DIES_AT names a file of two 64-bit numbers that all of its processes share: how many
   changes there were, and at which one to die, before it is made (0: count none; -1: never). An odd
   write is made in half first. Writes to anything but plain files do not count. */

#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <signal.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

static int64_t *shared;

__attribute__((constructor)) static void begin(void)
{
    const char *name = getenv("LULLWATT_DIES_AT");
    int fd = name ? open(name, O_RDWR | O_CLOEXEC) : -1;
    void *at = fd < 0 ? MAP_FAILED
                      : mmap(NULL, 16, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    if (at != MAP_FAILED)
        shared = at;
}

static int is_due(void)
{
    return shared && shared[1] && __sync_add_and_fetch(&shared[0], 1) == shared[1];
}

static void die(void)
{
    kill(0, SIGKILL);
    for (;;)
        pause();
}

static int is_plain(int fd)
{
    struct stat found;
    return !fstat(fd, &found) && S_ISREG(found.st_mode);
}

#define NEXT(result, name, types)                                                                  \
    static result(*next) types;                                                                    \
    if (!next)                                                                                     \
        next = (result(*) types)dlsym(RTLD_NEXT, #name);

#define CHANGE(name, types, values)                                                                \
    int name types                                                                                 \
    {                                                                                              \
        NEXT(int, name, types)                                                                     \
        if (is_due())                                                                              \
            die();                                                                                 \
        return next values;                                                                        \
    }

#define WRITE(name, types, values, half)                                                           \
    ssize_t name types                                                                             \
    {                                                                                              \
        NEXT(ssize_t, name, types)                                                                 \
        if (is_plain(fd) && is_due()) {                                                            \
            if (shared[1] % 2 && count > 1 && next half < 0)                                       \
                die();                                                                             \
            die();                                                                                 \
        }                                                                                          \
        return next values;                                                                        \
    }

WRITE(write, (int fd, const void *from, size_t count), (fd, from, count), (fd, from, count / 2))
WRITE(pwrite, (int fd, const void *from, size_t count, off_t at), (fd, from, count, at),
      (fd, from, count / 2, at))
WRITE(pwrite64, (int fd, const void *from, size_t count, off64_t at), (fd, from, count, at),
      (fd, from, count / 2, at))
CHANGE(fsync, (int fd), (fd))
CHANGE(fdatasync, (int fd), (fd))
CHANGE(ftruncate, (int fd, off_t size), (fd, size))
CHANGE(ftruncate64, (int fd, off64_t size), (fd, size))
CHANGE(rename, (const char *one, const char *two), (one, two))
CHANGE(renameat, (int a, const char *one, int b, const char *two), (a, one, b, two))
CHANGE(renameat2, (int a, const char *one, int b, const char *two, unsigned int how),
       (a, one, b, two, how))
CHANGE(unlink, (const char *name), (name))
CHANGE(unlinkat, (int a, const char *name, int how), (a, name, how))
CHANGE(mkdir, (const char *name, mode_t mode), (name, mode))
CHANGE(link, (const char *one, const char *two), (one, two))
CHANGE(symlink, (const char *one, const char *two), (one, two))
CHANGE(symlinkat, (const char *one, int a, const char *two), (one, a, two))
CHANGE(chmod, (const char *name, mode_t mode), (name, mode))
CHANGE(fchmodat, (int a, const char *name, mode_t mode, int how), (a, name, mode, how))
