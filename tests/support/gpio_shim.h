/* What gpio_shim.c, which answers the program, and gpio_wires.c, which obeys the test, share. */
#ifndef GPIO_SHIM_H
#define GPIO_SHIM_H

#include <linux/gpio.h>
#include <pthread.h>
#include <stdint.h>
#include <sys/types.h>

#define MOST_CHIPS 16
#define MOST_LINES 64
#define MOST_EVENTS 1024

struct line {
    struct chip *chip;
    uint32_t offset;
    pthread_mutex_t lock;
    pthread_cond_t filled;
    char consumer[GPIO_MAX_NAME_SIZE]; /* empty: free */
    uint64_t flags;
    int fd, far;                       /* the program's end of the pair, and ours; -1 when free */
    int level;                         /* of the wire */
    struct gpio_v2_line_event queue[MOST_EVENTS];
    uint32_t room, first, waiting, seqno;
    long long sent, queued, dropped, taken, late_ns;
    double hz;
    long long wanted;
    int running;
};

struct chip {
    int number, lines, there;
    char label[GPIO_MAX_NAME_SIZE];
    struct line line[MOST_LINES];
};

/* gpio_shim.c */
extern int (*real_close)(int);
struct chip *chip_of(int number);

/* gpio_wires.c */
ssize_t take_events(struct line *line, void *into, size_t size);
void listen_to_the_test(void);

#endif
