/*
 * The wires of the chips that gpio_shim.c shows: what happens on them, and the test's commands.
 *
 * Commands, one a line, each with one line of answer (see `obey`):
 *   pulse CHIP LINE HZ COUNT   pulses of half the period, each with its stamp, from now on
 *   level CHIP LINE 0|1        what the wire carries
 *   stats CHIP LINE            running, pulses sent, events queued in all, dropped, read, worst delay
 *   stall MS                   nobody reads events for so long, as when the reader gets no processor
 *   vanish CHIP                the chip is taken away
 *
 * Pulses are made by a thread of its own. Where it may, it runs before all others, as an interrupt
 * does; an edge bears the stamp of when it was due, as an interrupt's would be, however late the
 * thread is.
 */
#define _GNU_SOURCE
#include "gpio_shim.h"

#include <errno.h>
#include <fcntl.h>
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#define SECOND_NS 1000000000LL

static long long stalled_until_ns;

static long long now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * SECOND_NS + t.tv_nsec;
}

static void sleep_until(long long due_ns)
{
    struct timespec t = {due_ns / SECOND_NS, due_ns % SECOND_NS};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL) == EINTR) {
    }
}

/* ---- events ---- */

static void put_event(struct line *line, int rising, long long stamp_ns)
{
    uint64_t wanted = rising ? GPIO_V2_LINE_FLAG_EDGE_RISING : GPIO_V2_LINE_FLAG_EDGE_FALLING;
    if (line->fd < 0 || !(line->flags & wanted)) return;
    if (line->waiting == line->room) { /* the oldest goes, as with kfifo_skip */
        line->first = (line->first + 1) % MOST_EVENTS;
        line->waiting--;
        line->dropped++;
    }
    struct gpio_v2_line_event *event = &line->queue[(line->first + line->waiting) % MOST_EVENTS];
    memset(event, 0, sizeof *event);
    event->timestamp_ns = stamp_ns;
    event->id = rising ? GPIO_V2_LINE_EVENT_RISING_EDGE : GPIO_V2_LINE_EVENT_FALLING_EDGE;
    event->offset = line->offset;
    event->seqno = event->line_seqno = ++line->seqno;
    if (line->waiting++ == 0 && write(line->far, "e", 1) != 1) perror("gpio_shim: pair");
    line->queued++;
    pthread_cond_signal(&line->filled);
}

static void set_level(struct line *line, int level, long long stamp_ns)
{
    pthread_mutex_lock(&line->lock);
    if (level != line->level && line->chip->there) {
        line->level = level;
        /* Edges are of the logical value, as in edge_irq_handler. */
        put_event(line, level ^ !!(line->flags & GPIO_V2_LINE_FLAG_ACTIVE_LOW), stamp_ns);
    }
    pthread_mutex_unlock(&line->lock);
}

static void *pulses(void *argument)
{
    struct line *line = argument;
    struct sched_param first = {.sched_priority = 50};
    pthread_setschedparam(pthread_self(), SCHED_FIFO, &first); /* refused to most users: then not */
    long long began_ns = now_ns();
    for (long long n = 0; n < line->wanted && line->chip->there; n++) {
        long long due_ns = began_ns + (long long)(n * 1e9 / line->hz);
        sleep_until(due_ns);
        long long late_ns = now_ns() - due_ns;
        if (late_ns > line->late_ns) line->late_ns = late_ns;
        set_level(line, 0, due_ns);
        line->sent++;
        due_ns += (long long)(0.5e9 / line->hz);
        sleep_until(due_ns);
        set_level(line, 1, due_ns);
    }
    line->running = 0;
    return NULL;
}

ssize_t take_events(struct line *line, void *into, size_t size)
{
    struct gpio_v2_line_event *event = into;
    size_t count = 0;
    char token[8];
    if (!line->chip->there) return errno = ENODEV, -1;
    if (size < sizeof *event) return errno = EINVAL, -1;
    if (stalled_until_ns) sleep_until(stalled_until_ns);
    pthread_mutex_lock(&line->lock);
    while (line->waiting == 0) {
        if (!line->chip->there || (fcntl(line->fd, F_GETFL) & O_NONBLOCK)) {
            errno = line->chip->there ? EAGAIN : ENODEV;
            pthread_mutex_unlock(&line->lock);
            return -1;
        }
        pthread_cond_wait(&line->filled, &line->lock);
    }
    for (; line->waiting && (count + 1) * sizeof *event <= size; count++, line->waiting--) {
        event[count] = line->queue[line->first];
        line->first = (line->first + 1) % MOST_EVENTS;
    }
    line->taken += count;
    if (!line->waiting) recv(line->fd, token, sizeof token, MSG_DONTWAIT);
    pthread_mutex_unlock(&line->lock);
    return count * sizeof *event;
}

/* ---- commands of the test ---- */

static void vanish(struct chip *chip)
{
    chip->there = 0;
    for (int i = 0; i < chip->lines; i++) {
        struct line *line = &chip->line[i];
        pthread_mutex_lock(&line->lock);
        if (line->far >= 0) real_close(line->far), line->far = -1; /* poll: hung up */
        pthread_cond_broadcast(&line->filled);
        pthread_mutex_unlock(&line->lock);
    }
}

static void obey(const char *text, char *answer, size_t size)
{
    int number = -1, offset = -1, level;
    double hz;
    long long count, milliseconds;
    char word[16] = "";
    sscanf(text, "%15s %d %d", word, &number, &offset);
    struct chip *chip = chip_of(number);
    struct line *line = chip && offset >= 0 && offset < chip->lines ? &chip->line[offset] : NULL;
    snprintf(answer, size, "ok\n");
    if (sscanf(text, "stall %lld", &milliseconds) == 1) {
        stalled_until_ns = now_ns() + milliseconds * 1000000;
    } else if (line && sscanf(text, "pulse %*d %*d %lf %lld", &hz, &count) == 2 && !line->running) {
        pthread_t thread;
        line->hz = hz, line->wanted = count, line->running = 1;
        pthread_create(&thread, NULL, pulses, line);
        pthread_detach(thread);
    } else if (line && sscanf(text, "level %*d %*d %d", &level) == 1) {
        set_level(line, level, now_ns());
    } else if (line && !strcmp(word, "stats")) {
        snprintf(answer, size, "%d %lld %lld %lld %lld %lld\n", line->running, line->sent,
                 line->queued, line->dropped, line->taken, line->late_ns);
    } else if (chip && !strcmp(word, "vanish")) {
        vanish(chip);
    } else {
        snprintf(answer, size, "cannot: %s\n", text);
    }
}

static void *commands(void *argument)
{
    int door = (int)(intptr_t)argument;
    for (;;) {
        int caller = accept4(door, NULL, NULL, SOCK_CLOEXEC);
        if (caller < 0) return NULL;
        FILE *in = fdopen(caller, "r");
        char text[128], answer[160];
        while (fgets(text, sizeof text, in)) {
            text[strcspn(text, "\n")] = 0;
            obey(text, answer, sizeof answer);
            if (write(caller, answer, strlen(answer)) < 0) break;
        }
        fclose(in);
    }
}

void listen_to_the_test(void)
{
    const char *path = getenv("GPIO_SHIM_SOCKET");
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    pthread_t thread;
    if (!path) return;
    strncpy(address.sun_path, path, sizeof address.sun_path - 1);
    int door = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    unlink(path);
    if (bind(door, (struct sockaddr *)&address, sizeof address) || listen(door, 4)) {
        perror("gpio_shim: socket");
        abort();
    }
    pthread_create(&thread, NULL, commands, (void *)(intptr_t)door);
    pthread_detach(thread);
}
