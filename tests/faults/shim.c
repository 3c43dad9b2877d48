/* Stands between the program and the system, for the store's files only: notes what is written and synced, delays or
 * refuses syncs, and moves the wall clock. Loaded with LD_PRELOAD. FAULTS_STORE is the beginning of the paths concerned,
 * FAULTS_LOG the file for the notes (none where it is missing), FAULTS_CONTROL a file of two doubles that may change at
 * any time: how far the wall clock is moved (s), and whether syncs wait (1). */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

struct note { /* as tests/faults/power_cut.py reads it: name and data follow */
    double at;
    int64_t what, offset, length, name;
};
enum { WRITE, TRUNCATE, SYNC, REMOVE };

static int log_fd = -1;
static const char *store, *folder;
static volatile double *control;
static pthread_mutex_t mutex = PTHREAD_MUTEX_INITIALIZER;

__attribute__((constructor)) static void begin(void) {
    const char *path = getenv("FAULTS_LOG");
    store = getenv("FAULTS_STORE");
    folder = store ? strdup(store) : NULL;
    if (folder) *strrchr((char *)folder, '/') = 0;
    if (path) log_fd = syscall(SYS_openat, AT_FDCWD, path, O_CREAT | O_WRONLY | O_APPEND | O_CLOEXEC, 0600);
    path = getenv("FAULTS_CONTROL");
    int fd = path ? (int)syscall(SYS_openat, AT_FDCWD, path, O_RDWR | O_CLOEXEC, 0) : -1;
    if (fd >= 0) {
        void *page = mmap(NULL, 4096, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
        if (page != MAP_FAILED) control = page;
        syscall(SYS_close, fd);
    }
}

static int real_clock(clockid_t id, struct timespec *at) { return (int)syscall(SYS_clock_gettime, id, at); }

int clock_gettime(clockid_t id, struct timespec *at) {
    int code = real_clock(id, at);
    if (!code && control && (id == CLOCK_REALTIME || id == CLOCK_REALTIME_COARSE)) at->tv_sec += (time_t)control[0];
    return code;
}
int gettimeofday(struct timeval *restrict at, void *restrict zone) {
    struct timespec now;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    at->tv_sec = now.tv_sec, at->tv_usec = now.tv_nsec / 1000;
    return 0;
}
time_t time(time_t *at) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (at) *at = now.tv_sec;
    return now.tv_sec;
}

static int is_store(const char *path) { return store && (!strncmp(path, store, strlen(store)) || !strcmp(path, folder)); }

static int of_store(int fd, char *path) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = store ? readlink(link, path, 4095) : -1;
    if (length < 0) return 0;
    path[length] = 0;
    return is_store(path);
}

static void put(const void *data, size_t length) {
    while (length) {
        ssize_t done = syscall(SYS_write, log_fd, data, length);
        if (done <= 0) abort();
        data = (const char *)data + done, length -= (size_t)done;
    }
}

static void note(const char *path, int64_t what, int64_t offset, const void *data, int64_t length) {
    struct timespec now;
    if (log_fd < 0) return;
    pthread_mutex_lock(&mutex);
    real_clock(CLOCK_REALTIME, &now);
    struct note one = {now.tv_sec + now.tv_nsec / 1e9, what, offset, data ? length : 0, (int64_t)strlen(path)};
    put(&one, sizeof one);
    put(path, strlen(path));
    if (data) put(data, (size_t)length);
    pthread_mutex_unlock(&mutex);
}

#define WRITES(NAME, NUMBER)                                                              \
    ssize_t NAME(int fd, const void *data, size_t length, off_t offset) {                 \
        char path[4096];                                                                  \
        ssize_t done = syscall(NUMBER, fd, data, length, offset);                         \
        int kept = errno;                                                                 \
        if (done > 0 && of_store(fd, path)) note(path, WRITE, offset, data, done);        \
        errno = kept;                                                                     \
        return done;                                                                      \
    }
WRITES(pwrite, SYS_pwrite64)
WRITES(pwrite64, SYS_pwrite64)

ssize_t write(int fd, const void *data, size_t length) {
    char path[4096];
    off_t at = -1;
    int ours = store && fd > 2 && of_store(fd, path);
    if (ours) at = lseek(fd, 0, SEEK_CUR);
    ssize_t done = syscall(SYS_write, fd, data, length);
    int kept = errno;
    if (done > 0 && ours) note(path, WRITE, at, data, done);
    errno = kept;
    return done;
}

#define TRUNCATES(NAME)                                                                   \
    int NAME(int fd, off_t size) {                                                        \
        char path[4096];                                                                  \
        int code = (int)syscall(SYS_ftruncate, fd, size);                                 \
        int kept = errno;                                                                 \
        if (!code && of_store(fd, path)) note(path, TRUNCATE, size, NULL, 0);             \
        errno = kept;                                                                     \
        return code;                                                                      \
    }
TRUNCATES(ftruncate)
TRUNCATES(ftruncate64)

#define SYNCS(NAME, NUMBER)                                                               \
    int NAME(int fd) {                                                                    \
        char path[4096];                                                                  \
        int ours = of_store(fd, path);                                                    \
        while (ours && control && control[1] != 0) usleep(20000);                         \
        int code = (int)syscall(NUMBER, fd);                                              \
        int kept = errno;                                                                 \
        if (!code && ours) note(path, SYNC, 0, NULL, 0);                                  \
        errno = kept;                                                                     \
        return code;                                                                      \
    }
SYNCS(fsync, SYS_fsync)
SYNCS(fdatasync, SYS_fdatasync)

int unlink(const char *path) {
    int code = (int)syscall(SYS_unlinkat, AT_FDCWD, path, 0);
    int kept = errno;
    if (!code && is_store(path)) note(path, REMOVE, 0, NULL, 0);
    errno = kept;
    return code;
}
