/* The wall clock of one process, off by as much as a file says: what a step of the system's clock looks like
   from inside. The monotonic clock, and with it all waiting, goes on as it is. Loaded by LD_PRELOAD;
   FAULT_CLOCK_FILE names a file of eight bytes, the offset in nanoseconds. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>

static volatile const int64_t *offset_ns;
static int (*real_clock_gettime)(clockid_t, struct timespec *);

__attribute__((constructor)) static void set_up(void) {
    real_clock_gettime = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    const char *path = getenv("FAULT_CLOCK_FILE");
    int file = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    void *map = file < 0 ? MAP_FAILED : mmap(NULL, sizeof(int64_t), PROT_READ, MAP_SHARED, file, 0);
    if (map != MAP_FAILED) offset_ns = map;
}

int clock_gettime(clockid_t which, struct timespec *out) {
    if (!real_clock_gettime) set_up();
    int status = real_clock_gettime(which, out);
    if (!status && offset_ns && (which == CLOCK_REALTIME || which == CLOCK_REALTIME_COARSE)) {
        int64_t ns = (int64_t)out->tv_sec * 1000000000 + out->tv_nsec + *offset_ns;
        out->tv_sec = ns / 1000000000;
        out->tv_nsec = ns % 1000000000;
    }
    return status;
}

int gettimeofday(struct timeval *restrict out, void *restrict zone) {
    struct timespec now;
    (void)zone;
    if (clock_gettime(CLOCK_REALTIME, &now)) return -1;
    out->tv_sec = now.tv_sec;
    out->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *out) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (out) *out = now.tv_sec;
    return now.tv_sec;
}
