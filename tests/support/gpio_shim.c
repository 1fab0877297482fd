/*
 * GPIO chips for a machine that has none, below the real lgpio: preloaded, this library answers the
 * calls that lgpio and gpiozero make of the kernel for /dev/gpiochipN, and of the board's revision.
 *
 * What is answered, and how, is the kernel's published interface: linux/gpio.h (uAPI v2) and
 * drivers/gpio/gpiolib-cdev.c. A line keeps 16 events; when they are not read, the oldest is dropped,
 * and the sequence numbers show the gap. Stamps are of CLOCK_MONOTONIC. A line in use is EBUSY; of a
 * chip that is gone every call is ENODEV and its lines hang up.
 *
 * GPIO_SHIM_CHIPS     number:label:lines, parted by commas
 * GPIO_SHIM_SOCKET    where the commands of the test are taken; made when a chip is first opened
 * GPIO_SHIM_REVISION  the board's revision code in hex
 * GPIO_SHIM_BUSY      chip:line:name of a line that another program holds from the beginning
 * GPIO_SHIM_GROUP     number of the group that may open the chips, beside root; unset: everybody may
 *
 * The commands, and how pulses are made, stand in gpio_wires.c.
 */
#define _GNU_SOURCE
#include "gpio_shim.h"

#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#define MOST_FDS 1024
#define LEAST_EVENTS 16
#define REVISION_FILE "/proc/device-tree/system/linux,revision"

static struct chip chips[MOST_CHIPS];
static int chip_count;
static struct chip *chip_by_fd[MOST_FDS];
static struct line *line_by_fd[MOST_FDS];
static pthread_once_t listening = PTHREAD_ONCE_INIT;

static int (*real_open)(const char *, int, ...);
static int (*real_openat)(int, const char *, int, ...);
static int (*real_ioctl)(int, unsigned long, ...);
static ssize_t (*real_read)(int, void *, size_t);
int (*real_close)(int);
static int (*real_access)(const char *, int);
static int (*real_stat)(const char *, struct stat *);

struct chip *chip_of(int number)
{
    for (int i = 0; i < chip_count; i++)
        if (chips[i].number == number) return &chips[i];
    return NULL;
}

__attribute__((constructor)) static void begin(void)
{
    real_open = dlsym(RTLD_NEXT, "open");
    real_openat = dlsym(RTLD_NEXT, "openat");
    real_ioctl = dlsym(RTLD_NEXT, "ioctl");
    real_read = dlsym(RTLD_NEXT, "read");
    real_close = dlsym(RTLD_NEXT, "close");
    real_access = dlsym(RTLD_NEXT, "access");
    real_stat = dlsym(RTLD_NEXT, "stat");
    const char *told = getenv("GPIO_SHIM_CHIPS");
    char *text = strdup(told ? told : ""), *rest = NULL;
    for (char *one = strtok_r(text, ",", &rest); one; one = strtok_r(NULL, ",", &rest)) {
        struct chip *chip = &chips[chip_count];
        if (chip_count == MOST_CHIPS ||
            sscanf(one, "%d:%31[^:]:%d", &chip->number, chip->label, &chip->lines) != 3 ||
            chip->lines > MOST_LINES) {
            fprintf(stderr, "gpio_shim: cannot use %s\n", one);
            abort();
        }
        chip->there = 1;
        for (int i = 0; i < MOST_LINES; i++) {
            struct line *line = &chip->line[i];
            line->chip = chip, line->offset = i;
            line->fd = line->far = -1, line->level = 1;
            pthread_mutex_init(&line->lock, NULL);
            pthread_cond_init(&line->filled, NULL);
        }
        chip_count++;
    }
    free(text);
    int number, offset;
    char name[GPIO_MAX_NAME_SIZE];
    const char *busy = getenv("GPIO_SHIM_BUSY");
    if (busy && sscanf(busy, "%d:%d:%31s", &number, &offset, name) == 3 && chip_of(number))
        strcpy(chip_of(number)->line[offset % MOST_LINES].consumer, name);
}

/* The chip that a path names, gone or not; NULL for every other path. */
static struct chip *chip_at(const char *path)
{
    int number, end = 0;
    if (path && sscanf(path, "/dev/gpiochip%d%n", &number, &end) == 1 && path[end] == 0)
        return chip_of(number);
    return NULL;
}

/* ---- what the kernel answers ---- */

static int permitted(void)
{
    gid_t groups[64];
    const char *told = getenv("GPIO_SHIM_GROUP");
    if (!told || geteuid() == 0 || getegid() == (gid_t)atoi(told)) return 1;
    for (int i = getgroups(64, groups) - 1; i >= 0; i--)
        if (groups[i] == (gid_t)atoi(told)) return 1;
    return 0;
}

static int open_chip(struct chip *chip)
{
    if (!chip->there) return errno = ENOENT, -1;
    if (!permitted()) return errno = EACCES, -1;
    pthread_once(&listening, listen_to_the_test);
    int fd = real_open("/dev/null", O_RDWR | O_CLOEXEC);
    if (fd >= MOST_FDS) return real_close(fd), errno = EMFILE, -1;
    if (fd >= 0) chip_by_fd[fd] = chip;
    return fd;
}

static int open_revision(void)
{
    uint32_t code = strtoul(getenv("GPIO_SHIM_REVISION"), NULL, 16);
    unsigned char bytes[4] = {code >> 24, code >> 16, code >> 8, code};
    int fd = memfd_create("revision", MFD_CLOEXEC);
    if (write(fd, bytes, sizeof bytes) != sizeof bytes) return -1;
    lseek(fd, 0, SEEK_SET);
    return fd;
}

static int bad_flags(uint64_t flags)
{
    const uint64_t edges = GPIO_V2_LINE_FLAG_EDGE_RISING | GPIO_V2_LINE_FLAG_EDGE_FALLING;
    const uint64_t bias = GPIO_V2_LINE_FLAG_BIAS_PULL_UP | GPIO_V2_LINE_FLAG_BIAS_PULL_DOWN |
                          GPIO_V2_LINE_FLAG_BIAS_DISABLED;
    int in = !!(flags & GPIO_V2_LINE_FLAG_INPUT), out = !!(flags & GPIO_V2_LINE_FLAG_OUTPUT);
    if (in && out) return 1;
    if ((flags & edges) && !in) return 1;
    if ((flags & bias) && !in && !out) return 1;
    return __builtin_popcountll(flags & bias) > 1;
}

static int request_line(struct chip *chip, struct gpio_v2_line_request *request)
{
    int pair[2];
    if (request->num_lines != 1) return errno = EINVAL, -1; /* we never ask for more */
    if (request->offsets[0] >= (uint32_t)chip->lines) return errno = EINVAL, -1;
    if (bad_flags(request->config.flags)) return errno = EINVAL, -1;
    struct line *line = &chip->line[request->offsets[0]];
    pthread_mutex_lock(&line->lock);
    if (line->consumer[0]) {
        pthread_mutex_unlock(&line->lock);
        return errno = EBUSY, -1;
    }
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, pair) || pair[0] >= MOST_FDS) {
        pthread_mutex_unlock(&line->lock);
        return errno = ENOMEM, -1;
    }
    line->fd = pair[0], line->far = pair[1];
    line->flags = request->config.flags;
    line->first = line->waiting = line->seqno = 0;
    line->room = request->event_buffer_size;
    if (line->room < LEAST_EVENTS) line->room = LEAST_EVENTS;
    if (line->room > MOST_EVENTS) line->room = MOST_EVENTS;
    snprintf(line->consumer, sizeof line->consumer, "%.31s",
             request->consumer[0] ? request->consumer : "?");
    line_by_fd[pair[0]] = line;
    pthread_mutex_unlock(&line->lock);
    request->fd = pair[0];
    return 0;
}

static int chip_call(struct chip *chip, unsigned long call, void *argument)
{
    struct gpiochip_info *info = argument;
    struct gpio_v2_line_info *told = argument;
    if (!chip->there) return errno = ENODEV, -1;
    switch (call) {
    case GPIO_GET_CHIPINFO_IOCTL:
        memset(info, 0, sizeof *info);
        snprintf(info->name, sizeof info->name, "gpiochip%d", chip->number);
        strcpy(info->label, chip->label);
        info->lines = chip->lines;
        return 0;
    case GPIO_V2_GET_LINEINFO_IOCTL: {
        if (told->offset >= (uint32_t)chip->lines) return errno = EINVAL, -1;
        struct line *line = &chip->line[told->offset];
        pthread_mutex_lock(&line->lock);
        snprintf(told->name, sizeof told->name, "GPIO%u", told->offset);
        memcpy(told->consumer, line->consumer, sizeof told->consumer);
        told->flags = line->fd >= 0 ? line->flags : GPIO_V2_LINE_FLAG_INPUT;
        if (line->consumer[0]) told->flags |= GPIO_V2_LINE_FLAG_USED;
        pthread_mutex_unlock(&line->lock);
        return 0;
    }
    case GPIO_V2_GET_LINE_IOCTL:
        return request_line(chip, argument);
    }
    return errno = EINVAL, -1;
}

static int line_call(struct line *line, unsigned long call, void *argument)
{
    struct gpio_v2_line_values *values = argument;
    if (!line->chip->there) return errno = ENODEV, -1;
    switch (call) {
    case GPIO_V2_LINE_GET_VALUES_IOCTL:
        if (!(values->mask & 1)) return errno = EINVAL, -1;
        values->bits = line->level ^ !!(line->flags & GPIO_V2_LINE_FLAG_ACTIVE_LOW);
        return 0;
    case GPIO_V2_LINE_SET_VALUES_IOCTL:
        if (!(line->flags & GPIO_V2_LINE_FLAG_OUTPUT)) return errno = EPERM, -1;
        line->level = values->bits & 1;
        return 0;
    }
    return errno = EINVAL, -1;
}

/* ---- the calls that are taken over ---- */

int ioctl(int fd, unsigned long call, ...)
{
    va_list list;
    va_start(list, call);
    void *argument = va_arg(list, void *);
    va_end(list);
    if (fd >= 0 && fd < MOST_FDS) {
        if (chip_by_fd[fd]) return chip_call(chip_by_fd[fd], call, argument);
        if (line_by_fd[fd] && _IOC_TYPE(call) == 0xB4) return line_call(line_by_fd[fd], call, argument);
    }
    return real_ioctl(fd, call, argument);
}

ssize_t read(int fd, void *into, size_t size)
{
    if (fd >= 0 && fd < MOST_FDS && line_by_fd[fd]) return take_events(line_by_fd[fd], into, size);
    return real_read(fd, into, size);
}

int close(int fd)
{
    if (fd >= 0 && fd < MOST_FDS) {
        struct line *line = line_by_fd[fd];
        chip_by_fd[fd] = NULL;
        line_by_fd[fd] = NULL;
        if (line) {
            pthread_mutex_lock(&line->lock);
            if (line->far >= 0) real_close(line->far);
            line->fd = line->far = -1, line->flags = line->waiting = 0, line->consumer[0] = 0;
            pthread_mutex_unlock(&line->lock);
        }
    }
    return real_close(fd);
}

static int opened(int folder, const char *path, int flags, mode_t mode)
{
    struct chip *chip = chip_at(path);
    if (chip) return open_chip(chip);
    if (chip_count && getenv("GPIO_SHIM_REVISION") && !strcmp(path, REVISION_FILE))
        return open_revision();
    return real_openat(folder, path, flags, mode);
}

#define MODE(flags)                                                        \
    mode_t mode = 0;                                                       \
    if (((flags) & O_CREAT) || ((flags) & O_TMPFILE) == O_TMPFILE) {       \
        va_list list;                                                      \
        va_start(list, flags);                                             \
        mode = va_arg(list, int);                                          \
        va_end(list);                                                      \
    }

int open(const char *path, int flags, ...)
{
    MODE(flags)
    return opened(AT_FDCWD, path, flags, mode);
}

int open64(const char *path, int flags, ...)
{
    MODE(flags)
    return opened(AT_FDCWD, path, flags | O_LARGEFILE, mode);
}

int openat(int folder, const char *path, int flags, ...)
{
    MODE(flags)
    return opened(folder, path, flags, mode);
}

int access(const char *path, int how)
{
    struct chip *chip = chip_at(path);
    if (chip && !chip->there) return errno = ENOENT, -1;
    if (chip) return how == F_OK || permitted() ? 0 : (errno = EACCES, -1);
    return real_access(path, how);
}

static int described(struct chip *chip, struct stat *into)
{
    if (!chip->there) return errno = ENOENT, -1;
    memset(into, 0, sizeof *into);
    into->st_mode = S_IFCHR | 0660;
    return 0;
}

int stat(const char *path, struct stat *into)
{
    struct chip *chip = chip_at(path);
    return chip ? described(chip, into) : real_stat(path, into);
}

int stat64(const char *path, struct stat64 *into)
{
    return stat(path, (struct stat *)into); /* the same on 64 bits */
}
