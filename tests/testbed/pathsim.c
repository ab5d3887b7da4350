/* pathsim: a path with a known bottleneck between two network namespaces.
 *
 * One process holds one TUN device in each namespace and moves whole IP packets between them:
 *
 *   arrival -> loss draw -> drop-tail queue of octets -> link of known rate -> fixed delay (+ grid, + jitter) -> departure
 *
 * The queue is its own, so the truth (octets carried, drops, queueing delay) is known exactly. It is written to a CSV every
 * 100 ms, with the time of CLOCK_MONOTONIC, which all namespaces share. No netem is needed.
 *
 * usage: pathsim NAMESPACE_A TUN_A NAMESPACE_B TUN_B LOG_CSV MTU A_TO_B_SPEC B_TO_A_SPEC
 *
 * A spec is a comma-separated list of key=value:
 *   rate=<Mbit/s, IP layer>     delay=<ms one way>     buffer=<ms at rate>     bufbytes=<octets, instead of buffer>
 *   loss=<per cent>             ge_loss=<per cent in a bad spell> ge_bad=<mean ms of one> ge_good=<mean ms between>
 *   grid=<ms: departures wait for the next multiple>       jitter=<ms: exponential extra delay, order kept>
 *   swing=<sigma of the log of the rate> swing_tau=<s>     credit=<MB at peak rate before the shaper bites> peak=<Mbit/s>
 *   dead=<0 or 1: nothing passes>   mtu=<octets: longer packets vanish silently>   police=<0 or 1: no queue, 10 ms bucket>
 *
 * The same specs, preceded by "a2b " or "b2a ", may come on standard input at any time; each is answered by "ok".
 * Environment: PATHSIM_SEED (number), PATHSIM_GSO (super-packets pass whole: 4 to 8 times cheaper, for points above about
 * 250 Mbit/s; losses then fall on whole super-packets).
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <linux/if.h>
#include <linux/if_tun.h>
#include <linux/virtio_net.h>
#include <math.h>
#include <poll.h>
#include <sched.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <time.h>
#include <unistd.h>

typedef int64_t ns_t;

typedef struct {
    uint8_t *data;
    int length;   /* as read, with its virtio header if any */
    int wire;     /* IP octets on the wire */
    int segments; /* IP packets */
    ns_t at;
} packet;

typedef struct {
    packet *slots;
    unsigned head, tail, capacity;
} ring;

typedef struct {
    /* what was asked for */
    double rate, delay, buffer, bufbytes, loss, ge_loss, ge_bad, ge_good, grid, jitter, swing, swing_tau, credit, peak, dead, mtu, police;
    /* state */
    ring queue, line;
    int64_t queued;
    ns_t link_free, last_release, swing_next, spell_ends, credit_at;
    double log_deviation, credit_left;
    int bad_spell, in, out;
    /* truth */
    uint64_t in_octets, in_packets, out_octets, out_packets, dropped_queue, dropped_loss, dropped_other;
    double wait_sum, wait_max;
    uint64_t wait_count, big_in, big_dropped; /* big: packets of more than 600 octets, i.e. of the load */
    double waiting, waiting_sum; /* ns a packet that comes now must wait; its integral since the last line of the log, ns^2 */
    ns_t waiting_at, logged_at;
} direction;

static volatile sig_atomic_t stopping;
static int use_gso, header_octets, device_mtu;
static uint64_t random_state = 88172645463325252ULL;
static uint8_t *free_buffers[8192];
static int free_count;

static void on_signal(int number) {
    (void)number;
    stopping = 1;
}

static ns_t now_ns(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

static double uniform(void) { /* xorshift64, Marsaglia 2003 */
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return ((double)(random_state >> 11) + 0.5) / 9007199254740992.0;
}

static double normal(void) { return sqrt(-2 * log(uniform())) * cos(6.283185307179586 * uniform()); }

static int is_empty(const ring *r) { return r->head == r->tail; }
static packet *front(ring *r) { return &r->slots[r->head & (r->capacity - 1)]; }

static void push(ring *r, packet p) {
    if (r->tail - r->head == r->capacity) {
        unsigned bigger = r->capacity ? r->capacity * 2 : 4096, count = r->capacity;
        packet *slots = malloc(bigger * sizeof *slots);
        for (unsigned i = 0; i < count; i++) slots[i] = r->slots[(r->head + i) & (count - 1)];
        free(r->slots);
        *r = (ring){slots, 0, count, bigger};
    }
    r->slots[r->tail++ & (r->capacity - 1)] = p;
}

static size_t buffer_size(void) { return use_gso ? 65536 + 128 : (size_t)device_mtu + 128; }
static uint8_t *take_buffer(void) { return free_count ? free_buffers[--free_count] : malloc(buffer_size()); }
static void give_buffer(uint8_t *b) {
    if (free_count < 8192) free_buffers[free_count++] = b;
    else free(b);
}

/* How many IP octets and packets a super-packet is on the wire. */
static int wire_octets(const uint8_t *data, int length, int *segments) {
    *segments = 1;
    if (!use_gso) return length;
    struct virtio_net_hdr head;
    memcpy(&head, data, sizeof head);
    int octets = length - header_octets;
    if (head.gso_type == VIRTIO_NET_HDR_GSO_NONE || !head.gso_size) return octets;
    int headers = head.hdr_len ? head.hdr_len : 52;
    int count = (octets - headers + head.gso_size - 1) / head.gso_size;
    *segments = count < 1 ? 1 : count;
    return octets + (*segments - 1) * headers;
}

static int open_tun(const char *namespace, const char *name) {
    char path[256];
    snprintf(path, sizeof path, "/run/netns/%s", namespace);
    int ns = open(path, O_RDONLY);
    if (ns < 0 || setns(ns, CLONE_NEWNET)) {
        perror(path);
        exit(1);
    }
    close(ns);
    int fd = open("/dev/net/tun", O_RDWR | O_NONBLOCK);
    if (fd < 0) {
        perror("/dev/net/tun");
        exit(1);
    }
    struct ifreq request = {0};
    short flags = IFF_TUN | IFF_NO_PI | (use_gso ? IFF_VNET_HDR : 0);
    strncpy(request.ifr_name, name, IFNAMSIZ - 1);
    request.ifr_flags = flags | IFF_NAPI;
    if (ioctl(fd, TUNSETIFF, &request)) {
        request.ifr_flags = flags;
        if (ioctl(fd, TUNSETIFF, &request)) {
            perror("TUNSETIFF");
            exit(1);
        }
    }
    unsigned tcp_only = TUN_F_CSUM | TUN_F_TSO4 | TUN_F_TSO6, with_udp = tcp_only | 0x20 | 0x40; /* TUN_F_USO4, TUN_F_USO6 */
    if (use_gso && ioctl(fd, TUNSETOFFLOAD, with_udp) && ioctl(fd, TUNSETOFFLOAD, tcp_only)) perror("TUNSETOFFLOAD");
    int send_buffer = 1 << 30;
    ioctl(fd, TUNSETSNDBUF, &send_buffer);
    return fd;
}

/* Read a spec into a direction; returns 0 where a key is unknown. */
static int parse(direction *d, char *text) {
    struct {
        const char *key;
        double *value;
    } keys[] = {{"rate", &d->rate},       {"delay", &d->delay},     {"buffer", &d->buffer}, {"bufbytes", &d->bufbytes}, {"loss", &d->loss},   {"ge_loss", &d->ge_loss},
                {"ge_bad", &d->ge_bad},   {"ge_good", &d->ge_good}, {"grid", &d->grid},     {"jitter", &d->jitter},     {"swing", &d->swing}, {"swing_tau", &d->swing_tau},
                {"credit", &d->credit},   {"peak", &d->peak},       {"dead", &d->dead},     {"mtu", &d->mtu},           {"police", &d->police}};
    for (char *part = strtok(text, ",\n"); part; part = strtok(NULL, ",\n")) {
        char *equals = strchr(part, '=');
        if (!equals) continue;
        *equals = 0;
        int known = 0;
        for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
            if (!strcmp(part, keys[i].key)) {
                *keys[i].value = atof(equals + 1);
                known = 1;
                if (!strcmp(part, "credit")) d->credit_left = d->credit * 1e6;
            }
        if (!known) {
            fprintf(stderr, "unknown key %s\n", part);
            return 0;
        }
    }
    return 1;
}

static double buffer_octets(const direction *d) {
    if (d->police > 0) return d->rate * 1e6 / 8 * 0.010;
    double octets = d->bufbytes > 0 ? d->bufbytes : d->buffer * 1e-3 * d->rate * 1e6 / 8;
    return octets < 3100 ? 3100 : octets;
}

static double current_rate(direction *d, ns_t t) {
    double rate = d->rate;
    if (d->swing > 0) { /* first-order autoregressive log-rate whose mean rate is the asked one */
        while (t >= d->swing_next) {
            double a = exp(-0.02 / d->swing_tau);
            d->log_deviation = a * d->log_deviation + sqrt(1 - a * a) * d->swing * normal();
            d->swing_next = (d->swing_next ? d->swing_next : t) + 20000000LL;
        }
        rate *= exp(d->log_deviation - d->swing * d->swing / 2);
    }
    if (d->credit > 0) {
        d->credit_left += d->rate * 1e6 / 8 * (double)(t - d->credit_at) * 1e-9;
        d->credit_at = t;
        if (d->credit_left > d->credit * 1e6) d->credit_left = d->credit * 1e6;
        if (d->credit_left > 0) rate = d->peak;
    }
    return rate;
}

static double current_loss(direction *d, ns_t t) {
    if (d->ge_loss <= 0) return d->loss;
    while (t >= d->spell_ends) {
        d->bad_spell = !d->bad_spell;
        double mean_ms = d->bad_spell ? d->ge_bad : d->ge_good;
        d->spell_ends = (d->spell_ends ? d->spell_ends : t) + (ns_t)(-log(uniform()) * mean_ms * 1e6);
    }
    return d->bad_spell ? d->ge_loss : d->loss;
}

/* Integrate what a packet that comes must wait: it falls by 1 ns each ns, and rises with each packet. Exact at constant rate. */
static void account(direction *d, ns_t t) {
    double passed = d->waiting_at ? (double)(t - d->waiting_at) : 0.0, w = d->waiting;
    d->waiting_sum += passed < w ? w * passed - passed * passed / 2 : w * w / 2;
    d->waiting = 0;
    if (!is_empty(&d->queue)) {
        ns_t start = front(&d->queue)->at > d->link_free ? front(&d->queue)->at : d->link_free;
        double finish = (double)start + (double)d->queued * 8e3 / current_rate(d, t) - (double)t;
        d->waiting = finish > 0 ? finish : 0;
    }
    d->waiting_at = t;
}

/* Take what has arrived into the queue. */
static void take(direction *d) {
    for (int i = 0; i < 256; i++) {
        uint8_t *data = take_buffer();
        ssize_t length = read(d->in, data, buffer_size() - 64);
        if (length <= 0) {
            give_buffer(data);
            return;
        }
        ns_t t = now_ns();
        int segments, wire = wire_octets(data, (int)length, &segments);
        d->in_octets += (uint64_t)wire;
        d->in_packets += (uint64_t)segments;
        int is_big = wire / segments > 600;
        if (is_big) d->big_in += (uint64_t)segments;
        if (d->dead > 0 || wire / segments > d->mtu) d->dropped_other += (uint64_t)segments;
        else if (uniform() * 100 < current_loss(d, t)) d->dropped_loss += (uint64_t)segments;
        else if ((double)(d->queued + wire) > buffer_octets(d)) d->dropped_queue += (uint64_t)segments;
        else {
            push(&d->queue, (packet){data, (int)length, wire, segments, t});
            d->queued += wire;
            account(d, t);
            continue;
        }
        if (is_big) d->big_dropped += (uint64_t)segments;
        give_buffer(data);
    }
}

/* Move what has been transmitted by now into the delay line, and let out what is due. */
static void serve(direction *d, ns_t t) {
    while (!is_empty(&d->queue)) {
        packet *p = front(&d->queue);
        ns_t start = p->at > d->link_free ? p->at : d->link_free;
        if (start > t) break;
        ns_t finish = start + (ns_t)(p->wire * 8e3 / current_rate(d, start));
        if (finish > t) break;
        if (d->credit > 0) d->credit_left -= p->wire;
        d->link_free = finish;
        double wait = (double)(finish - p->at) * 1e-6;
        d->wait_sum += wait;
        d->wait_count++;
        if (wait > d->wait_max) d->wait_max = wait;
        ns_t release = (d->police > 0 ? p->at : finish) + (ns_t)(d->delay * 1e6);
        if (d->jitter > 0) release += (ns_t)(-log(uniform()) * d->jitter * 1e6);
        if (d->grid > 0) {
            ns_t grid = (ns_t)(d->grid * 1e6);
            release = (release + grid - 1) / grid * grid;
        }
        if (release < d->last_release) release = d->last_release;
        d->last_release = release;
        d->queued -= p->wire;
        push(&d->line, (packet){p->data, p->length, p->wire, p->segments, release});
        d->queue.head++;
    }
    while (!is_empty(&d->line)) {
        packet *p = front(&d->line);
        if (p->at > t) break;
        if (write(d->out, p->data, (size_t)p->length) < 0 && errno == EAGAIN) break;
        d->out_octets += (uint64_t)p->wire;
        d->out_packets += (uint64_t)p->segments;
        give_buffer(p->data);
        d->line.head++;
    }
}

static ns_t next_due(direction *d) {
    ns_t next = INT64_MAX;
    if (!is_empty(&d->line)) next = front(&d->line)->at;
    if (!is_empty(&d->queue)) {
        packet *p = front(&d->queue);
        ns_t start = p->at > d->link_free ? p->at : d->link_free;
        ns_t finish = start + (ns_t)(p->wire * 8e3 / current_rate(d, start));
        /* with a delay line behind it, the end of a transmission need not be met exactly, but the queue's bound needs a tick */
        ns_t wake = is_empty(&d->line) ? finish + (d->delay > 1 ? 500000 : 0) : finish + 500000;
        if (wake < next) next = wake;
    }
    return next;
}

static void write_truth(FILE *log, direction *d, const char *name, ns_t t) {
    account(d, t);
    double rate = current_rate(d, t), backlog_ms = d->logged_at ? d->waiting_sum / (double)(t - d->logged_at) * 1e-6 : 0.0;
    fprintf(log, "%.4f,%s,%lu,%lu,%lu,%lu,%lu,%lu,%lu,%ld,%.3f,%.3f,%.3f,%.3f,%lu,%lu\n", (double)t * 1e-9, name, d->in_octets, d->out_octets, d->in_packets, d->out_packets, d->dropped_queue,
            d->dropped_loss, d->dropped_other, (long)d->queued, d->wait_count ? d->wait_sum / (double)d->wait_count : 0.0, d->wait_max, rate, backlog_ms, d->big_in, d->big_dropped);
    d->waiting_sum = 0;
    d->logged_at = t;
    d->wait_sum = d->wait_max = 0;
    d->wait_count = 0;
}

static void obey(direction *ab, direction *ba) {
    static char line[1024];
    static size_t used;
    ssize_t got = read(0, line + used, sizeof line - 1 - used);
    if (got == 0) stopping = 1; /* the parent is gone */
    if (got <= 0) return;
    used += (size_t)got;
    line[used] = 0;
    char *end;
    while ((end = strchr(line, '\n'))) {
        *end = 0;
        int fine = (!strncmp(line, "a2b ", 4) && parse(ab, line + 4)) || (!strncmp(line, "b2a ", 4) && parse(ba, line + 4));
        printf(fine ? "ok\n" : "unknown\n");
        fflush(stdout);
        used -= (size_t)(end + 1 - line);
        memmove(line, end + 1, used + 1);
    }
}

int main(int count, char **words) {
    if (count != 9) {
        fprintf(stderr, "usage: pathsim NAMESPACE_A TUN_A NAMESPACE_B TUN_B LOG_CSV MTU A_TO_B_SPEC B_TO_A_SPEC\n");
        return 2;
    }
    static direction ab, ba;
    device_mtu = atoi(words[6]);
    use_gso = getenv("PATHSIM_GSO") != NULL;
    header_octets = use_gso ? (int)sizeof(struct virtio_net_hdr) : 0;
    int home = open("/proc/self/ns/net", O_RDONLY);
    int tun_a = open_tun(words[1], words[2]);
    setns(home, CLONE_NEWNET);
    int tun_b = open_tun(words[3], words[4]);
    setns(home, CLONE_NEWNET);
    ab = ba = (direction){.rate = 1000, .buffer = 100, .mtu = 1 << 20, .swing_tau = 5, .ge_good = 1000, .ge_bad = 50};
    if (!parse(&ab, strdup(words[7])) || !parse(&ba, strdup(words[8]))) return 2;
    ab.in = ba.out = tun_a;
    ba.in = ab.out = tun_b;
    if (getenv("PATHSIM_SEED")) random_state ^= strtoull(getenv("PATHSIM_SEED"), 0, 10) * 0x9E3779B97F4A7C15ULL;
    for (int i = 0; i < 20; i++) uniform();
    ab.log_deviation = ab.swing * normal();
    ba.log_deviation = ba.swing * normal();

    prctl(PR_SET_TIMERSLACK, 1UL);
    prctl(PR_SET_PDEATHSIG, SIGTERM);
    struct sched_param first = {.sched_priority = 20};
    sched_setscheduler(0, SCHED_FIFO, &first);
    mlockall(MCL_CURRENT);
    signal(SIGTERM, on_signal);
    signal(SIGINT, on_signal);
    fcntl(0, F_SETFL, O_NONBLOCK);
    FILE *log = fopen(words[5], "w");
    if (!log) {
        perror(words[5]);
        return 1;
    }
    fprintf(log, "t_s,dir,in_bytes,out_bytes,in_pkts,out_pkts,drop_queue,drop_loss,drop_other,queue_bytes,qdelay_mean_ms,qdelay_max_ms,link_mbps,backlog_ms,big_in,big_dropped\n");
    fflush(log);
    printf("ready\n");
    fflush(stdout);

    ns_t next_log = now_ns() + 100000000LL;
    while (!stopping) {
        ns_t t = now_ns();
        serve(&ab, t);
        serve(&ba, t);
        if (t >= next_log) {
            write_truth(log, &ab, "a2b", t);
            write_truth(log, &ba, "b2a", t);
            fflush(log);
            next_log += 100000000LL;
        }
        ns_t due = next_due(&ab), other = next_due(&ba);
        if (other < due) due = other;
        if (next_log < due) due = next_log;
        ns_t wait = due - now_ns();
        if (wait < 0) wait = 0;
        struct timespec left = {wait / 1000000000LL, wait % 1000000000LL};
        struct pollfd ready[3] = {{tun_a, POLLIN, 0}, {tun_b, POLLIN, 0}, {0, POLLIN, 0}};
        ppoll(ready, 3, &left, NULL);
        if (ready[0].revents) take(&ab);
        if (ready[1].revents) take(&ba);
        if (ready[2].revents) obey(&ab, &ba);
    }
    fclose(log);
    return 0;
}
