/* Stands between a process and its disk (LD_PRELOAD). Below one folder it either writes every change down, in the
 * order in which it was made, or lets some of the operations fail. Without shim_setup() it does nothing.
 *
 * A log is a row of records: struct record, then `path_bytes` of a path below the folder, then `data_bytes`.
 *   O open      file, flags, size before (-1: none), path
 *   W write     file, offset, length, data
 *   T truncate  file, length
 *   S sync      file, path
 *   R rename    path, data: the new path
 *   U unlink    path          D rmdir  path          M mkdir  path
 *   ! something that cannot be replayed, path: its name
 * A sync is noted and not carried out: the machine keeps its power, and a run takes a fraction of the time.
 */
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
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

enum { OPEN_WRITE = 1, WRITE = 2, TRUNCATE = 4, SYNC = 8, RENAME = 16, UNLINK = 32, MKDIR = 64, READ = 128, OPEN_READ = 256 };
enum { NO_FLOCK = 1, NO_FCNTL_LOCK = 2 };
enum { COUNT_ONLY = -2 };
enum { GO_ON = 0, SHORT_WRITE = 1, FAIL = -1 };

#define FILES 65536
#define MAGIC 0x4b534944

struct record {
    uint32_t magic;
    char kind, pad[3];
    int64_t file, a, b;
    uint32_t path_bytes, data_bytes;
};

static pthread_mutex_t mutex = PTHREAD_MUTEX_INITIALIZER;
static char root[PATH_MAX];
static size_t root_bytes;
static int log_handle = -1, fault_handle = -1;
static long counted, fail_first = -1, fail_last = -1, files_opened;
static int fail_errno, fail_kinds, short_writes, missing_locks;
static long clock_ahead_s;
static char *path_of[FILES];
static long number_of[FILES];
static int flags_of[FILES];

static int tracked(int handle) { return root_bytes && handle >= 0 && handle < FILES && path_of[handle]; }

/* The path without "." and "..", absolute; whether it lies below the folder that is watched. */
static int below_root(int folder, const char *path, char *out) {
    char whole[PATH_MAX * 2], copy[PATH_MAX * 2], base[PATH_MAX], *steps[512], *rest;
    int depth = 0;
    size_t used = 0;
    if (!root_bytes || !path) return 0;
    if (path[0] == '/') {
        snprintf(whole, sizeof whole, "%s", path);
    } else {
        if (folder == AT_FDCWD) {
            if (!getcwd(base, sizeof base)) return 0;
        } else {
            char link[64];
            snprintf(link, sizeof link, "/proc/self/fd/%d", folder);
            ssize_t length = readlink(link, base, sizeof base - 1);
            if (length < 0) return 0;
            base[length] = 0;
        }
        snprintf(whole, sizeof whole, "%s/%s", base, path);
    }
    snprintf(copy, sizeof copy, "%s", whole);
    for (char *step = strtok_r(copy, "/", &rest); step; step = strtok_r(0, "/", &rest)) {
        if (!strcmp(step, ".")) continue;
        if (!strcmp(step, "..")) { if (depth) depth--; continue; }
        if (depth < 512) steps[depth++] = step;
    }
    out[0] = 0;
    for (int i = 0; i < depth; i++) {
        used += snprintf(out + used, PATH_MAX - used, "/%s", steps[i]);
        if (used >= PATH_MAX) return 0;
    }
    return !strncmp(out, root, root_bytes) && (out[root_bytes] == '/' || !out[root_bytes]);
}

static void write_all(int handle, const void *data, size_t length) {
    const char *at = data;
    while (length) {
        ssize_t n = syscall(SYS_write, handle, at, length);
        if (n <= 0) return;
        at += n;
        length -= n;
    }
}

static void note(char kind, long file, long a, long b, const char *path, const void *data, size_t data_bytes) {
    if (log_handle < 0) return;
    struct record head = {MAGIC, kind, {0}, file, a, b, path ? strlen(path) : 0, data_bytes};
    write_all(log_handle, &head, sizeof head);
    if (head.path_bytes) write_all(log_handle, path, head.path_bytes);
    if (data_bytes) write_all(log_handle, data, data_bytes);
}

/* Counts an operation, and says what becomes of it; errno is set where it is to fail. */
static int verdict(int kind, const char *name, const char *path) {
    int found = GO_ON;
    if (!(fail_kinds & kind)) return GO_ON;
    long number = counted++;
    if (fail_first == COUNT_ONLY && fault_handle >= 0) write_all(fault_handle, ".", 1);
    if (fail_first < 0 || number < fail_first || number > fail_last) return GO_ON;
    if (short_writes) found = kind == WRITE ? SHORT_WRITE : GO_ON;
    else if (kind == SYNC && fail_errno == EROFS) found = GO_ON; /* no sync fails for that */
    else found = FAIL;
    if (fault_handle >= 0 && found != GO_ON) {
        char line[PATH_MAX + 64];
        write_all(fault_handle, line, snprintf(line, sizeof line, "%ld %s %s\n", number, name, path));
    }
    if (found == FAIL) errno = fail_errno;
    return found;
}

static int private_handle(const char *path) {
    if (!path || !*path) return -1;
    int handle = syscall(SYS_openat, AT_FDCWD, path, O_CREAT | O_TRUNC | O_WRONLY | O_CLOEXEC, 0644);
    if (handle < 0) return -1;
    int high = syscall(SYS_fcntl, handle, F_DUPFD_CLOEXEC, 3000); /* out of the way of what closes handles */
    if (high >= 0) syscall(SYS_close, handle);
    return high >= 0 ? high : handle;
}

void shim_setup(const char *folder, const char *log, const char *faults, long first, long last, int error, int kinds,
                int short_ones, int no_locks, long ahead_s) {
    pthread_mutex_lock(&mutex);
    snprintf(root, sizeof root, "%s", folder ? folder : "");
    log_handle = private_handle(log);
    fault_handle = private_handle(faults);
    fail_first = first, fail_last = last, fail_errno = error, fail_kinds = kinds;
    short_writes = short_ones, missing_locks = no_locks, clock_ahead_s = ahead_s;
    counted = files_opened = 0;
    root_bytes = strlen(root);
    pthread_mutex_unlock(&mutex);
}

long shim_counted(void) { return counted; }

__attribute__((constructor)) static void from_environment(void) {
    const char *folder = getenv("SHIM_ROOT");
#define NUMBER(name, otherwise) (getenv(name) ? atol(getenv(name)) : (otherwise))
    if (folder)
        shim_setup(folder, getenv("SHIM_LOG"), getenv("SHIM_FAULTS"), NUMBER("SHIM_FIRST", -1), NUMBER("SHIM_LAST", -1),
                   NUMBER("SHIM_ERRNO", EIO), NUMBER("SHIM_KINDS", 0), NUMBER("SHIM_SHORT", 0),
                   NUMBER("SHIM_NO_LOCKS", 0), NUMBER("SHIM_AHEAD_S", 0));
}

/* Every operation below keeps the mutex while it is carried out, so that the log has the order of the disk. */
#define LOCKED(statements)                \
    do {                                  \
        pthread_mutex_lock(&mutex);       \
        statements;                       \
        int kept_errno = errno;           \
        pthread_mutex_unlock(&mutex);     \
        errno = kept_errno;               \
    } while (0)

static int open_file(int folder, const char *path, int flags, mode_t mode) {
    char whole[PATH_MAX];
    int handle = -1;
    if (!below_root(folder, path, whole)) return syscall(SYS_openat, folder, path, flags, mode);
    int writing = flags & (O_WRONLY | O_RDWR | O_CREAT | O_TRUNC);
    LOCKED({
        struct stat before;
        int there = !syscall(SYS_newfstatat, AT_FDCWD, whole, &before, 0);
        int what = writing ? verdict(OPEN_WRITE, "open-to-write", whole) : verdict(OPEN_READ, "open-to-read", whole);
        if (what != FAIL) handle = syscall(SYS_openat, folder, path, flags, mode);
        if (handle >= 0 && handle < FILES) {
            free(path_of[handle]);
            path_of[handle] = strdup(whole + root_bytes);
            number_of[handle] = ++files_opened;
            flags_of[handle] = flags;
            note('O', number_of[handle], flags, there ? before.st_size : -1, path_of[handle], 0, 0);
        }
    });
    return handle;
}

static int open_with_mode(int folder, const char *path, int flags, va_list rest) {
    return open_file(folder, path, flags, flags & (O_CREAT | O_TMPFILE) ? va_arg(rest, mode_t) : 0);
}
#define OPENS(folder)                                            \
    {                                                            \
        va_list rest;                                            \
        va_start(rest, flags);                                   \
        int handle = open_with_mode(folder, path, flags, rest);  \
        va_end(rest);                                            \
        return handle;                                           \
    }
int open(const char *path, int flags, ...) OPENS(AT_FDCWD)
int open64(const char *path, int flags, ...) OPENS(AT_FDCWD)
int openat(int folder, const char *path, int flags, ...) OPENS(folder)
int openat64(int folder, const char *path, int flags, ...) OPENS(folder)
int __open_2(const char *path, int flags) { return open_file(AT_FDCWD, path, flags, 0); }
int __open64_2(const char *path, int flags) { return open_file(AT_FDCWD, path, flags, 0); }
int creat(const char *path, mode_t mode) { return open_file(AT_FDCWD, path, O_CREAT | O_WRONLY | O_TRUNC, mode); }
int creat64(const char *path, mode_t mode) { return creat(path, mode); }

static FILE *stream(const char *name, const char *path, const char *mode) {
    FILE *(*real)(const char *, const char *) = (FILE * (*)(const char *, const char *)) dlsym(RTLD_NEXT, name);
    char whole[PATH_MAX];
    if (strpbrk(mode, "wa+") && below_root(AT_FDCWD, path, whole)) LOCKED(note('!', 0, 0, 0, name, 0, 0));
    return real(path, mode);
}
FILE *fopen(const char *path, const char *mode) { return stream("fopen", path, mode); }
FILE *fopen64(const char *path, const char *mode) { return stream("fopen64", path, mode); }

int close(int handle) {
    if (handle >= 0 && (handle == log_handle || handle == fault_handle)) return 0;
    if (!tracked(handle)) return syscall(SYS_close, handle);
    int result;
    LOCKED({
        free(path_of[handle]);
        path_of[handle] = 0;
        result = syscall(SYS_close, handle);
    });
    return result;
}

static ssize_t write_at(int handle, const void *data, size_t length, off_t offset, int placed) {
    ssize_t written = -1;
    LOCKED({
        int what = verdict(WRITE, "write", path_of[handle]);
        if (what == SHORT_WRITE && length > 1) length /= 2;
        if (!placed) {
            struct stat now;
            int appends = flags_of[handle] & O_APPEND && !syscall(SYS_fstat, handle, &now);
            offset = appends ? now.st_size : syscall(SYS_lseek, handle, 0, SEEK_CUR);
        }
        if (what != FAIL)
            written = placed ? syscall(SYS_pwrite64, handle, data, length, offset)
                             : syscall(SYS_write, handle, data, length);
        if (written > 0) note('W', number_of[handle], offset, written, 0, data, written);
    });
    return written;
}
ssize_t write(int handle, const void *data, size_t length) {
    return tracked(handle) ? write_at(handle, data, length, 0, 0) : syscall(SYS_write, handle, data, length);
}
ssize_t pwrite(int handle, const void *data, size_t length, off_t offset) {
    return tracked(handle) ? write_at(handle, data, length, offset, 1)
                           : syscall(SYS_pwrite64, handle, data, length, offset);
}
ssize_t pwrite64(int handle, const void *data, size_t length, off_t offset) {
    return pwrite(handle, data, length, offset);
}
ssize_t writev(int handle, const struct iovec *parts, int count) {
    ssize_t sum = 0;
    if (!tracked(handle)) return syscall(SYS_writev, handle, parts, count);
    for (int i = 0; i < count; i++) {
        ssize_t n = write_at(handle, parts[i].iov_base, parts[i].iov_len, 0, 0);
        if (n < 0) return sum ? sum : -1;
        sum += n;
        if ((size_t)n < parts[i].iov_len) break;
    }
    return sum;
}

static int may_read(int handle) {
    int what = GO_ON;
    if (tracked(handle) && fail_kinds & READ) LOCKED(what = verdict(READ, "read", path_of[handle]));
    return what != FAIL;
}
ssize_t read(int handle, void *data, size_t length) {
    return may_read(handle) ? syscall(SYS_read, handle, data, length) : -1;
}
ssize_t pread(int handle, void *data, size_t length, off_t offset) {
    return may_read(handle) ? syscall(SYS_pread64, handle, data, length, offset) : -1;
}
ssize_t pread64(int handle, void *data, size_t length, off_t offset) { return pread(handle, data, length, offset); }

int ftruncate(int handle, off_t length) {
    if (!tracked(handle)) return syscall(SYS_ftruncate, handle, length);
    int result;
    LOCKED({
        result = verdict(TRUNCATE, "truncate", path_of[handle]);
        if (result != FAIL) result = syscall(SYS_ftruncate, handle, length);
        if (!result) note('T', number_of[handle], length, 0, 0, 0, 0);
    });
    return result;
}
int ftruncate64(int handle, off_t length) { return ftruncate(handle, length); }
int truncate(const char *path, off_t length) {
    char whole[PATH_MAX];
    if (below_root(AT_FDCWD, path, whole)) LOCKED(note('!', 0, 0, 0, "truncate", 0, 0));
    return syscall(SYS_truncate, path, length);
}

static int sync_file(int handle, long call) {
    if (!tracked(handle)) return syscall(call, handle);
    int result;
    LOCKED({
        result = verdict(SYNC, "sync", path_of[handle]);
        if (result != FAIL) note('S', number_of[handle], 0, 0, path_of[handle], 0, 0);
    });
    return result;
}
int fsync(int handle) { return sync_file(handle, SYS_fsync); }
int fdatasync(int handle) { return sync_file(handle, SYS_fdatasync); }

/* Ways to write that are not followed: refused as systems without them do, and the caller goes the usual way. */
int posix_fallocate(int handle, off_t offset, off_t length) {
    return tracked(handle) ? EINVAL : syscall(SYS_fallocate, handle, 0, offset, length) ? errno : 0;
}
int fallocate(int handle, int mode, off_t offset, off_t length) {
    if (!tracked(handle)) return syscall(SYS_fallocate, handle, mode, offset, length);
    errno = EOPNOTSUPP;
    return -1;
}
ssize_t sendfile(int to, int from, off_t *offset, size_t length) {
    if (!tracked(to)) return syscall(SYS_sendfile, to, from, offset, length);
    errno = EINVAL;
    return -1;
}
ssize_t sendfile64(int to, int from, off_t *offset, size_t length) { return sendfile(to, from, offset, length); }
ssize_t copy_file_range(int from, off_t *a, int to, off_t *b, size_t length, unsigned flags) {
    if (!tracked(to)) return syscall(SYS_copy_file_range, from, a, to, b, length, flags);
    errno = ENOSYS;
    return -1;
}
static int no_links(int from_folder, const char *from, int to_folder, const char *to, int flags) {
    char whole[PATH_MAX];
    if (!below_root(to_folder, to, whole)) return syscall(SYS_linkat, from_folder, from, to_folder, to, flags);
    errno = EPERM; /* as FAT has it */
    return -1;
}
int link(const char *from, const char *to) { return no_links(AT_FDCWD, from, AT_FDCWD, to, 0); }
int linkat(int a, const char *from, int b, const char *to, int flags) { return no_links(a, from, b, to, flags); }

static int move(int a, const char *from, int b, const char *to, unsigned flags) {
    char old[PATH_MAX], new[PATH_MAX];
    int inside = below_root(a, from, old);
    if (!below_root(b, to, new) && !inside) return syscall(SYS_renameat2, a, from, b, to, flags);
    int result;
    LOCKED({
        result = verdict(RENAME, "rename", new);
        if (result != FAIL) result = syscall(SYS_renameat2, a, from, b, to, flags);
        if (!result) note('R', 0, 0, 0, old + root_bytes, new + root_bytes, strlen(new + root_bytes));
    });
    return result ? -1 : 0;
}
int rename(const char *from, const char *to) { return move(AT_FDCWD, from, AT_FDCWD, to, 0); }
int renameat(int a, const char *from, int b, const char *to) { return move(a, from, b, to, 0); }
int renameat2(int a, const char *from, int b, const char *to, unsigned flags) { return move(a, from, b, to, flags); }

static int name_only(int folder, const char *path, char kind, int flags, mode_t mode) {
    char whole[PATH_MAX];
    int inside = below_root(folder, path, whole), result = GO_ON;
    LOCKED({
        if (inside) result = kind == 'M' ? verdict(MKDIR, "mkdir", whole) : verdict(UNLINK, "unlink", whole);
        if (result != FAIL)
            result = kind == 'M' ? syscall(SYS_mkdirat, folder, path, mode) : syscall(SYS_unlinkat, folder, path, flags);
        if (inside && !result) note(kind, 0, 0, 0, whole + root_bytes, 0, 0);
    });
    return result ? -1 : 0;
}
int unlink(const char *path) { return name_only(AT_FDCWD, path, 'U', 0, 0); }
int unlinkat(int folder, const char *path, int flags) {
    return name_only(folder, path, flags & AT_REMOVEDIR ? 'D' : 'U', flags, 0);
}
int rmdir(const char *path) { return name_only(AT_FDCWD, path, 'D', AT_REMOVEDIR, 0); }
int mkdir(const char *path, mode_t mode) { return name_only(AT_FDCWD, path, 'M', 0, mode); }
int mkdirat(int folder, const char *path, mode_t mode) { return name_only(folder, path, 'M', 0, mode); }

static int no_lock(int handle) {
    char line[PATH_MAX + 64];
    LOCKED({
        if (fault_handle >= 0) write_all(fault_handle, line, snprintf(line, sizeof line, "0 lock %s\n", path_of[handle]));
    });
    errno = ENOLCK;
    return -1;
}

static int control(int handle, int what, void *argument) {
    int locking = what == F_SETLK || what == F_SETLKW;
    if (locking && missing_locks & NO_FCNTL_LOCK && tracked(handle)) return no_lock(handle);
    int result = syscall(SYS_fcntl, handle, what, argument);
    if (result >= 0 && result < FILES && (what == F_DUPFD || what == F_DUPFD_CLOEXEC) && tracked(handle))
        LOCKED({
            free(path_of[result]);
            path_of[result] = strdup(path_of[handle]);
            number_of[result] = number_of[handle];
            flags_of[result] = flags_of[handle];
        });
    return result;
}
#define CONTROLS                                    \
    {                                               \
        va_list rest;                               \
        va_start(rest, what);                       \
        void *argument = va_arg(rest, void *);      \
        va_end(rest);                               \
        return control(handle, what, argument);     \
    }
int fcntl(int handle, int what, ...) CONTROLS
int fcntl64(int handle, int what, ...) CONTROLS
int flock(int handle, int what) {
    if (missing_locks & NO_FLOCK && tracked(handle) && !(what & LOCK_UN)) return no_lock(handle);
    return syscall(SYS_flock, handle, what);
}

int clock_gettime(clockid_t clock, struct timespec *now) {
    int result = syscall(SYS_clock_gettime, clock, now);
    if (!result && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE)) now->tv_sec += clock_ahead_s;
    return result;
}
time_t time(time_t *seconds) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (seconds) *seconds = now.tv_sec;
    return now.tv_sec;
}
int gettimeofday(struct timeval *now, void *zone) {
    struct timespec precise;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &precise);
    now->tv_sec = precise.tv_sec, now->tv_usec = precise.tv_nsec / 1000;
    return 0;
}
