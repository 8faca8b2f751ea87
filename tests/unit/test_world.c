/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/namespaces.h"
#include "controller/rehearsal/world.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <inttypes.h>
#include <netinet/in.h>
#include <poll.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>
/* cmocka.h must follow the four of its manual */
#include <cmocka.h>

/*
 * The world with small programs of our own in the place of agents and
 * controller: this file again, with a word that says which.
 */
#define HUB_IPV4     "10.61.0.10"
#define HUB_IPV6     "fd61:7072:6163::10"
#define STATION_IPV4 "10.61.0.11"
#define STATION_IPV6 "fd61:7072:6163::11"
#define SERVICE_PORT 5000
#define LIFE_S       50 /* no program of this test lives longer */

#define OPERATOR_FAILED 9

static uint64_t now_ns(void)
{
    struct timespec now;

    (void) clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t) now.tv_sec * NS_PER_S + (uint64_t) now.tv_nsec;
}

/* --- the programs --------------------------------------------------------- */

static struct sockaddr_in service_address(const char *text)
{
    struct sockaddr_in address = { .sin_family = AF_INET,
                                   .sin_port = htons(SERVICE_PORT) };

    (void) inet_pton(AF_INET, text, &address.sin_addr);
    return address;
}

/* Takes connections one after another, and answers each with the number of
 * bytes that came. */
static int serve(const char *text)
{
    const struct sockaddr_in address = service_address(text);
    const int listener = socket(AF_INET, SOCK_STREAM, 0);

    if (bind(listener, (const struct sockaddr *) &address, sizeof(address)) != 0
        || listen(listener, 4) != 0)
        return OPERATOR_FAILED;
    (void) puts("up");
    (void) fflush(stdout);
    for (;;) {
        char buffer[65536];
        uint64_t total = 0;
        ssize_t length;
        const int fd = accept(listener, NULL, NULL);

        while ((length = read(fd, buffer, sizeof(buffer))) > 0)
            total += (uint64_t) length;
        (void) dprintf(fd, "%" PRIu64, total);
        (void) close(fd);
    }
}

/* Sends so many bytes; met when the service says that they came. */
static int transfer(const char *text, const char *count)
{
    const struct sockaddr_in address = service_address(text);
    const size_t bytes = strtoul(count, NULL, 10);
    const int fd = socket(AF_INET, SOCK_STREAM, 0);
    char *data = calloc(1, bytes);
    char answer[32] = "";

    if (!data
        || connect(fd, (const struct sockaddr *) &address, sizeof(address)) != 0
        || write(fd, data, bytes) != (ssize_t) bytes
        || shutdown(fd, SHUT_WR) != 0
        || read(fd, answer, sizeof(answer) - 1) <= 0)
        return OPERATOR_FAILED;
    free(data);
    return strcmp(answer, count) == 0 ? 0 : OPERATOR_FAILED;
}

static void fill_checksum(unsigned char *message, size_t size)
{
    uint32_t sum = 0;

    for (size_t i = 0; i + 1 < size; i += 2)
        sum += (uint32_t) message[i] << 8 | message[i + 1];
    sum = (sum & 0xffff) + (sum >> 16);
    sum = ~(sum + (sum >> 16));
    message[2] = (unsigned char) (sum >> 8);
    message[3] = (unsigned char) sum;
}

/* One echo; waits for its answer at most two seconds. */
static bool is_echo_answered(int fd, bool is_ipv6, unsigned char sequence)
{
    unsigned char message[64] = { is_ipv6 ? 128 : 8, 0, 0, 0, 0x51, 0x52, 0,
                                  sequence };
    const uint64_t until_ns = now_ns() + 2 * NS_PER_S;

    if (!is_ipv6) /* for IPv6 the kernel does it */
        fill_checksum(message, sizeof(message));
    if (send(fd, message, sizeof(message), 0) < 0)
        return false;
    while (now_ns() < until_ns) {
        struct pollfd readable = { fd, POLLIN, 0 };
        unsigned char answer[256];

        if (poll(&readable, 1, 100) <= 0)
            continue;
        const ssize_t length = recv(fd, answer, sizeof(answer), 0);
        const unsigned char *icmp = is_ipv6 ? answer : answer + 20;

        if (length >= (is_ipv6 ? 64 : 84) && icmp[0] == (is_ipv6 ? 129 : 0)
            && icmp[7] == sequence)
            return true;
    }
    return false;
}

static int echo(const char *text, const char *count)
{
    const bool is_ipv6 = strchr(text, ':') != NULL;
    struct sockaddr_in ipv4 = { .sin_family = AF_INET };
    struct sockaddr_in6 ipv6 = { .sin6_family = AF_INET6 };
    const int fd = socket(is_ipv6 ? AF_INET6 : AF_INET, SOCK_RAW,
                          is_ipv6 ? IPPROTO_ICMPV6 : IPPROTO_ICMP);

    (void) inet_pton(AF_INET, text, &ipv4.sin_addr);
    (void) inet_pton(AF_INET6, text, &ipv6.sin6_addr);
    if (fd < 0
        || connect(fd,
                   is_ipv6 ? (const struct sockaddr *) &ipv6
                           : (const struct sockaddr *) &ipv4,
                   is_ipv6 ? sizeof(ipv6) : sizeof(ipv4))
               != 0)
        return OPERATOR_FAILED;
    for (int i = 1; i <= atol(count); i++) {
        if (!is_echo_answered(fd, is_ipv6, (unsigned char) i))
            return OPERATOR_FAILED;
    }
    return 0;
}

/* Writes its monotonic clock. */
static int tell_clock(const char *path)
{
    FILE *file = fopen(path, "w");

    if (!file)
        return OPERATOR_FAILED;
    (void) fprintf(file, "%" PRIu64, now_ns());
    return fclose(file);
}

static volatile sig_atomic_t interrupted;

static void on_interrupt(int signal)
{
    (void) signal;
    interrupted++;
}

/* Says that it is there, then counts interrupts for a while. */
static int stay(const char *path)
{
    (void) signal(SIGINT, on_interrupt);
    FILE *file = fopen(path, "w");

    if (!file || fclose(file) != 0)
        return OPERATOR_FAILED;
    while (!interrupted)
        (void) poll(NULL, 0, 10);
    (void) poll(NULL, 0, 300);
    return 100 + (int) interrupted;
}

/* The air is the first process that the first one starts. */
static int kill_air(const char *path)
{
    return kill(2, SIGKILL) == 0 ? stay(path) : OPERATOR_FAILED;
}

/* Sets a radio, then leaves one echo unanswered. */
static int set_step(const char *folder, const char *step)
{
    struct fault fault = { 0 };

    if (driver_set_step(folder, "island", step, &fault) != 0) {
        (void) fprintf(stderr, "%s\n", fault.text);
        return OPERATOR_FAILED;
    }
    char readings[DRIVER_READINGS_SIZE], told[64];

    (void) snprintf(told, sizeof(told), "step=%s\n", step);
    if (driver_read(folder, "island", readings, &fault) != 0
        || strncmp(readings, told, strlen(told)) != 0
        || !strstr(readings, "queue_bytes=0\n")
        || driver_read(folder, "nowhere", readings, &fault) == 0
        || !strstr(fault.text, "no practice radio 'nowhere'")) {
        (void) fprintf(stderr, "%s%s\n", readings, fault.text);
        return OPERATOR_FAILED;
    }
    (void) poll(NULL, 0, 300);
    return echo(HUB_IPV4, "1") == OPERATOR_FAILED ? 0 : OPERATOR_FAILED;
}

static int play(int argc, char **argv)
{
    static const struct {
        const char *name;
        int (*with_one)(const char *);
        int (*with_two)(const char *, const char *);
    } programs[] = {
        { "serve", serve, NULL },       { "transfer", NULL, transfer },
        { "echo", NULL, echo },         { "clock", tell_clock, NULL },
        { "stay", stay, NULL },         { "kill-air", kill_air, NULL },
        { "set-step", NULL, set_step },
    };

    (void) alarm(LIFE_S);
    for (size_t i = 0; i < COUNT_OF(programs) && argc >= 3; i++) {
        if (strcmp(argv[1], programs[i].name) != 0)
            continue;
        return programs[i].with_two
                   ? programs[i].with_two(argv[2], argc > 3 ? argv[3] : "")
                   : programs[i].with_one(argv[2]);
    }
    return OPERATOR_FAILED;
}

/* --- the tests ------------------------------------------------------------ */

struct fixture {
    char folder[64], log[96], mark[96];
    char self[4096];
    const char *service[4], *operator_program[5];
    struct world world;
};

static int make_world(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    (void) snprintf(fixture->folder, sizeof(fixture->folder),
                    "/tmp/bothends-world.XXXXXX");
    assert_non_null(mkdtemp(fixture->folder));
    (void) snprintf(fixture->log, sizeof(fixture->log), "%s/service.log",
                    fixture->folder);
    (void) snprintf(fixture->mark, sizeof(fixture->mark), "%s/mark",
                    fixture->folder);
    assert_true(
        readlink("/proc/self/exe", fixture->self, sizeof(fixture->self) - 1)
        > 0);
    fixture->service[0] = fixture->self;
    fixture->service[1] = "serve";
    fixture->service[2] = HUB_IPV4;
    fixture->operator_program[0] = fixture->self;
    fixture->world = (struct world){
        .config = { .end_count = 2,
                    .step_bps = { 60000, 120000 },
                    .step_count = 2,
                    .slot_overhead_ns = 12 * NS_PER_MS,
                    .slot_limit_ns = 150 * NS_PER_MS,
                    .frame_payload_bytes = 240,
                    .frame_overhead_bytes = 12,
                    .queue_bytes = 16000 },
        .names = { .ends = { "weir", "island" },
                   .steps = { "walk", "trot" },
                   .end_count = 2,
                   .step_count = 2 },
        .mtu_bytes = 1500,
        .folder = fixture->folder,
        .ends = { { .name = "weir",
                    .addresses = { HUB_IPV4, HUB_IPV6 },
                    .address_count = 2,
                    .service = fixture->service,
                    .log = fixture->log },
                  { .name = "island",
                    .addresses = { STATION_IPV4, STATION_IPV6 },
                    .address_count = 2 } },
        .end_count = 2,
        .operator_end = 1,
        .operator_program = fixture->operator_program,
    };
    *state = fixture;
    return 0;
}

static int remove_entry(const char *path, const struct stat *facts, int type,
                        struct FTW *walk)
{
    (void) facts;
    (void) type;
    (void) walk;
    return remove(path);
}

static int remove_world(void **state)
{
    struct fixture *fixture = *state;

    (void) nftw(fixture->folder, remove_entry, 8, FTW_DEPTH | FTW_PHYS);
    free(fixture);
    return 0;
}

static int operate(struct fixture *fixture, const char *program,
                   const char *first, const char *second)
{
    struct fault fault = { 0 };

    fixture->operator_program[1] = program;
    fixture->operator_program[2] = first;
    fixture->operator_program[3] = second;
    const int status = world_run(&fixture->world, &fault);

    if (status < 0)
        fail_msg("%s", fault.text);
    return status;
}

struct line {
    char from[32], fate[32];
    unsigned protocol, destination_port, icmp_type;
    uint64_t ip_bytes, payload_bytes, enqueued_ns, over_ns, handed_ns;
    uint32_t tcp_sequence;
};

/* Calls see for each line of the ledger's packets. */
static size_t each_line(const struct fixture *fixture,
                        void (*see)(void *owner, const struct line *line),
                        void *owner)
{
    char path[128], text[1024];
    size_t count = 0;

    (void) snprintf(path, sizeof(path), "%s/ledger/packets.tsv",
                    fixture->folder);
    FILE *file = fopen(path, "r");

    assert_non_null(file);
    assert_non_null(fgets(text, sizeof(text), file));
    for (; fgets(text, sizeof(text), file); count++) {
        struct line line;

        assert_int_equal(
            sscanf(text,
                   "%31s %*s %*u %u %*s %*u %*s %u %" SCNu64 " %" SCNu32
                   " %*u %*u %" SCNu64 " %u %*u %*u %" SCNu64 " %*u %" SCNu64
                   " %" SCNu64 " %31s",
                   line.from, &line.protocol, &line.destination_port,
                   &line.ip_bytes, &line.tcp_sequence, &line.payload_bytes,
                   &line.icmp_type, &line.enqueued_ns, &line.over_ns,
                   &line.handed_ns, line.fate),
            11);
        see(owner, &line);
    }
    (void) fclose(file);
    return count;
}

struct stream {
    bool has_begun;
    uint32_t first_sequence;
    uint64_t most_offset, delivered_bytes;
    uint64_t begun_ns, ended_ns;
};

static void see_segment(void *owner, const struct line *line)
{
    struct stream *stream = owner;

    if (line->protocol != IPPROTO_TCP || line->destination_port != SERVICE_PORT
        || strcmp(line->fate, "delivered") != 0)
        return;
    if (!stream->has_begun) { /* the SYN */
        stream->has_begun = true;
        stream->first_sequence = line->tcp_sequence + 1;
        stream->begun_ns = line->enqueued_ns;
        return;
    }
    const uint64_t offset =
        (uint32_t) (line->tcp_sequence - stream->first_sequence)
        + line->payload_bytes;

    if (line->payload_bytes && offset > stream->most_offset)
        stream->most_offset = offset;
    stream->delivered_bytes += line->payload_bytes;
    stream->ended_ns = line->over_ns;
}

static void the_kernels_tcp_carries_what_the_ledger_says(void **state)
{
    struct fixture *fixture = *state;
    struct stream stream = { 0 };

    assert_int_equal(operate(fixture, "transfer", HUB_IPV4, "80000"), 0);
    assert_true(each_line(fixture, see_segment, &stream) > 100);
    assert_int_equal(stream.most_offset, 80000);
    assert_true(stream.delivered_bytes >= 80000);
    /* Never faster than the slots allow: 975 B of IP in 162 ms; and not at
     * half of that either. */
    const double slots = 80000.0 / 975;
    const double taken_s =
        (double) (stream.ended_ns - stream.begun_ns) / (double) NS_PER_S;

    assert_true(taken_s > slots * 0.162);
    assert_true(taken_s < 2 * slots * 0.162);
}

struct echoes {
    size_t requests_count, replies_count, others_count;
};

static void see_echo(void *owner, const struct line *line)
{
    struct echoes *echoes = owner;
    const bool is_request = line->icmp_type == 8 || line->icmp_type == 128;
    const bool is_reply = line->protocol == IPPROTO_ICMP
                              ? line->icmp_type == 0
                              : line->icmp_type == 129;

    if (strcmp(line->fate, "delivered") != 0)
        echoes->others_count++;
    else if (is_request && strcmp(line->from, "island") == 0)
        echoes->requests_count++;
    else if (is_reply && strcmp(line->from, "weir") == 0)
        echoes->replies_count++;
    else
        echoes->others_count++;
}

static void nothing_but_the_echoes_crosses_the_air(void **state)
{
    struct fixture *fixture = *state;
    static const char *const hubs[] = { HUB_IPV4, HUB_IPV6 };

    for (size_t i = 0; i < 2; i++) {
        struct echoes echoes = { 0 };

        assert_int_equal(operate(fixture, "echo", hubs[i], "12"), 0);
        assert_int_equal(each_line(fixture, see_echo, &echoes), 24);
        assert_int_equal(echoes.requests_count, 12);
        assert_int_equal(echoes.replies_count, 12);
        assert_int_equal(echoes.others_count, 0);
    }
}

static void each_computer_has_a_clock_of_its_own(void **state)
{
    struct fixture *fixture = *state;
    char text[32] = "";

    for (size_t end = 0; end < 2; end++) {
        fixture->world.operator_end = end;
        const uint64_t before_ns = now_ns();

        assert_int_equal(operate(fixture, "clock", fixture->mark, NULL), 0);
        const uint64_t after_ns = now_ns();
        FILE *file = fopen(fixture->mark, "r");

        assert_non_null(file);
        assert_non_null(fgets(text, sizeof(text), file));
        (void) fclose(file);
        assert_in_range(strtoull(text, NULL, 10),
                        before_ns + world_clock_offset_ns(end),
                        after_ns + world_clock_offset_ns(end));
    }
}

static void a_radio_on_another_step_hears_nothing(void **state)
{
    struct fixture *fixture = *state;

    assert_int_equal(operate(fixture, "set-step", fixture->folder, "trot"), 0);
    /* "gallop" is no step: the program fails */
    assert_int_equal(operate(fixture, "set-step", fixture->folder, "gallop"),
                     OPERATOR_FAILED);
}

/* world_run() in a child; its exit status is the operator's. */
static pid_t run_apart(struct fixture *fixture)
{
    const pid_t pid = fork();

    if (pid == 0)
        _exit(operate(fixture, "stay", fixture->mark, NULL));
    assert_true(pid > 0);
    for (int i = 0; i < 1000 && access(fixture->mark, F_OK) != 0; i++)
        (void) poll(NULL, 0, 10);
    assert_int_equal(access(fixture->mark, F_OK), 0);
    return pid;
}

static void an_interrupt_reaches_the_operators_program_once(void **state)
{
    struct fixture *fixture = *state;
    const pid_t pid = run_apart(fixture);
    int status;

    assert_int_equal(kill(pid, SIGINT), 0);
    assert_int_equal(waitpid(pid, &status, 0), pid);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 101);
}

static void killing_the_caller_leaves_no_process_behind(void **state)
{
    struct fixture *fixture = *state;
    struct pollfd all_gone = { .events = 0 };
    int alive[2];

    /* Every process of the world inherits the writing side: it hangs up when
     * the last of them is gone. */
    assert_int_equal(pipe(alive), 0);
    const pid_t pid = run_apart(fixture);

    (void) close(alive[1]);
    all_gone.fd = alive[0];
    assert_int_equal(poll(&all_gone, 1, 0), 0);
    assert_int_equal(kill(pid, SIGKILL), 0);
    assert_int_equal(waitpid(pid, NULL, 0), pid);
    assert_int_equal(poll(&all_gone, 1, 10000), 1);
    (void) close(alive[0]);
}

static void the_operators_program_is_interrupted_when_the_air_dies(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    fixture->operator_program[1] = "kill-air";
    fixture->operator_program[2] = fixture->mark;
    assert_true(world_run(&fixture->world, &fault) < 0);
    assert_non_null(strstr(fault.text, "failed"));
}

static void a_service_that_does_not_come_up_is_named(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    fixture->service[1] = "no-such-program";
    fixture->operator_program[1] = "clock";
    fixture->operator_program[2] = fixture->mark;
    assert_true(world_run(&fixture->world, &fault) < 0);
    assert_int_not_equal(access(fixture->mark, F_OK), 0);
}

/* 77 and the reason where namespaces are forbidden. */
static void skip_where_forbidden(void)
{
    struct fault fault = { 0 };

    if (namespaces_check(&fault) < 0) {
        (void) printf("skipped: %s\n", fault.text);
        exit(77);
    }
}

int main(int argc, char **argv)
{
    if (argc > 1)
        return play(argc, argv);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(
            the_kernels_tcp_carries_what_the_ledger_says, make_world,
            remove_world),
        cmocka_unit_test_setup_teardown(nothing_but_the_echoes_crosses_the_air,
                                        make_world, remove_world),
        cmocka_unit_test_setup_teardown(each_computer_has_a_clock_of_its_own,
                                        make_world, remove_world),
        cmocka_unit_test_setup_teardown(a_radio_on_another_step_hears_nothing,
                                        make_world, remove_world),
        cmocka_unit_test_setup_teardown(
            an_interrupt_reaches_the_operators_program_once, make_world,
            remove_world),
        cmocka_unit_test_setup_teardown(
            killing_the_caller_leaves_no_process_behind, make_world,
            remove_world),
        cmocka_unit_test_setup_teardown(
            the_operators_program_is_interrupted_when_the_air_dies, make_world,
            remove_world),
        cmocka_unit_test_setup_teardown(
            a_service_that_does_not_come_up_is_named, make_world, remove_world),
    };

    skip_where_forbidden();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
