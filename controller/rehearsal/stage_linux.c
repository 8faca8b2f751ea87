/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/stage.h"

#include "controller/plan/writer.h"

#include <errno.h>
#include <inttypes.h>
#include <jansson.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#define PRACTICE_FOLDERS_MAX 100000

/* The flow, top to bottom. */
static int find_programs(struct stage *stage, struct fault *fault);
static int make_folder(const char *out, struct stage *stage,
                       struct fault *fault);
static int write_plan(struct stage *stage, const struct plan *plan,
                      struct fault *fault);
static int make_end(struct stage *stage, const struct plan *plan,
                    const struct cast_end *cast_end, struct stage_end *end,
                    struct fault *fault);

/* The agent lies beside the controller: so it does in a build folder, and so
 * where both are installed. */
static int find_programs(struct stage *stage, struct fault *fault)
{
    const ssize_t length = readlink("/proc/self/exe", stage->controller,
                                    sizeof(stage->controller) - 1);

    if (length <= 0)
        return fault_set(fault, -errno, "/proc/self/exe: %s", strerror(errno));
    stage->controller[length] = '\0';
    const char *slash = strrchr(stage->controller, '/');
    const int folder_length =
        slash ? (int) (slash - stage->controller) : (int) length;

    if (snprintf(stage->agent, sizeof(stage->agent), "%.*s/bothends-agent",
                 folder_length, stage->controller)
        >= (int) sizeof(stage->agent))
        return fault_set(fault, -ENAMETOOLONG, "'%s' is too long a path",
                         stage->controller);
    if (access(stage->agent, X_OK) != 0)
        return fault_set(fault, -errno,
                         "cannot run '%s': %s (the agent must lie beside "
                         "bothends)",
                         stage->agent, strerror(errno));
    return 0;
}

static int make_one_folder(const char *path, struct fault *fault)
{
    if (mkdir(path, 0777) == 0 || errno == EEXIST)
        return 0;
    return fault_set(fault, -errno, "cannot make the folder '%s': %s", path,
                     strerror(errno));
}

/* With all folders above it. */
static int make_folders(const char *path, struct fault *fault)
{
    char part[STAGE_PATH_SIZE];

    if (snprintf(part, sizeof(part), "%s", path) >= (int) sizeof(part))
        return fault_set(fault, -ENAMETOOLONG, "'%s' is too long a path", path);
    for (char *slash = strchr(part + 1, '/'); slash;
         slash = strchr(slash + 1, '/')) {
        *slash = '\0';
        const int status = make_one_folder(part, fault);

        if (status)
            return status;
        *slash = '/';
    }
    return make_one_folder(part, fault);
}

/* The first number that is free; two rehearsals at once get two. */
static int make_folder(const char *out, struct stage *stage,
                       struct fault *fault)
{
    char base[PATH_MAX];
    const int status = make_folders(out, fault);

    if (status)
        return status;
    if (!realpath(out, base))
        return fault_set(fault, -errno, "'%s': %s", out, strerror(errno));
    for (int number = 1; number < PRACTICE_FOLDERS_MAX; number++) {
        if (snprintf(stage->folder, sizeof(stage->folder), "%s/practice-%d",
                     base, number)
            >= (int) sizeof(stage->folder))
            return fault_set(fault, -ENAMETOOLONG, "'%s' is too long a path",
                             base);
        if (mkdir(stage->folder, 0777) == 0)
            return 0;
        if (errno != EEXIST)
            break;
    }
    return fault_set(fault, -errno, "cannot make a folder in '%s': %s", out,
                     strerror(errno));
}

static int write_plan(struct stage *stage, const struct plan *plan,
                      struct fault *fault)
{
    (void) snprintf(stage->plan, sizeof(stage->plan), "%s/plan.yaml",
                    stage->folder);
    FILE *file = fopen(stage->plan, "we");

    if (!file)
        return fault_set(fault, -errno, "cannot write '%s': %s", stage->plan,
                         strerror(errno));
    (void) fputs("# The plan of a rehearsal: its addresses are those of the "
                 "practice link.\n",
                 file);
    plan_write(file, plan);
    const int is_broken = ferror(file);

    if (fclose(file) != 0 || is_broken)
        return fault_set(fault, -EIO, "cannot write '%s'", stage->plan);
    return 0;
}

/* Whose radios an end's command sets: its own and, at the operator's end, those
 * at which no agent could: "quarry,jetty". */
static void list_radios(const struct plan *plan, int end, char *ret_text,
                        size_t size)
{
    size_t used = (size_t) snprintf(ret_text, size, "%s", plan->ends[end].name);

    for (size_t i = 0; i < plan->end_count && end == plan->controller_end;
         i++) {
        const struct plan_end *other = &plan->ends[i];

        if (other->agent == AGENT_NONE && plan_end_is_site(other)
            && used < size)
            used += (size_t) snprintf(ret_text + used, size - used, ",%s",
                                      other->name);
    }
}

/* Just as the owner of a real radio would write it. */
static int write_config(const struct stage *stage, const struct plan *plan,
                        int end, const char *path, struct fault *fault)
{
    char radios[PLAN_ENDS_MAX * NAME_SIZE];
    json_t *steps = json_array();

    list_radios(plan, end, radios, sizeof(radios));

    for (size_t i = 0; i < plan->step_count; i++)
        (void) json_array_append_new(steps, json_string(plan->steps[i].name));
    json_t *config = json_pack("{s:[s, s, s, s, s], s:o, s:[s, s, s, s]}",
                               "step_command", stage->controller, "practice",
                               stage->folder, radios, "{step}", "steps", steps,
                               "readings_command", stage->controller,
                               "practice", stage->folder, plan->ends[end].name);
    const int failed =
        config ? json_dump_file(config, path, JSON_INDENT(2)) : -1;

    json_decref(config);
    /* The agent refuses a file that others may write. */
    if (failed || chmod(path, 0644) != 0)
        return fault_set(fault, -EIO, "cannot write '%s'", path);
    return 0;
}

static int make_key(const struct stage *stage, const char *path,
                    struct fault *fault)
{
    int wait_status;

    (void) fflush(NULL);
    const pid_t pid = fork();

    if (pid == 0) {
        if (!freopen("/dev/null", "w", stdout)) /* it says what it made */
            _exit(126);
        (void) execl(stage->agent, stage->agent, "--new-key", path,
                     (char *) NULL);
        _exit(127);
    }
    if (pid < 0 || waitpid(pid, &wait_status, 0) != pid)
        return fault_set(fault, -errno, "cannot start '%s': %s", stage->agent,
                         strerror(errno));
    if (!WIFEXITED(wait_status) || WEXITSTATUS(wait_status) != 0)
        return fault_set(fault, -EIO, "'%s --new-key %s' failed", stage->agent,
                         path);
    return 0;
}

static void fill_command_line(const struct stage *stage, const char *name,
                              struct stage_end *end)
{
    /* No --end-with-parent: the process namespace sees to that. */
    const char *const arguments[] = {
        stage->agent, "--name",           name,       "--port",   end->port,
        "--key",      end->key,           "--spool",  end->spool, "--config",
        end->config,  "--practice-clock", end->clock, NULL,
    };

    static_assert(COUNT_OF(arguments) <= STAGE_ARGUMENTS_MAX,
                  "the agent's command line has room");
    memcpy(end->agent, arguments, sizeof(arguments));
}

static int make_end(struct stage *stage, const struct plan *plan,
                    const struct cast_end *cast_end, struct stage_end *end,
                    struct fault *fault)
{
    const struct plan_end *planned = &plan->ends[cast_end->end];
    char folder[STAGE_PATH_SIZE];

    (void) snprintf(folder, sizeof(folder), "%s/%s", stage->folder,
                    cast_end->folder);
    (void) snprintf(end->key, sizeof(end->key), "%.*s/key", PATH_MAX + 64,
                    folder);
    (void) snprintf(end->config, sizeof(end->config), "%.*s/config.json",
                    PATH_MAX + 64, folder);
    (void) snprintf(end->spool, sizeof(end->spool), "%.*s/spool", PATH_MAX + 64,
                    folder);
    (void) snprintf(end->log, sizeof(end->log), "%.*s/log", PATH_MAX + 64,
                    folder);
    (void) snprintf(end->clock, sizeof(end->clock), "%.*s/clock", PATH_MAX + 64,
                    folder);
    (void) snprintf(end->port, sizeof(end->port), "%" PRIu64, planned->port);
    int status = make_folders(end->spool, fault);

    if (!status)
        status = make_key(stage, end->key, fault);
    if (!status)
        status = write_config(stage, plan, cast_end->end, end->config, fault);
    fill_command_line(stage, planned->name, end);
    return status;
}

int stage_make(const char *out, const struct plan *plan,
               const struct cast *cast, struct stage *ret_stage,
               struct fault *fault)
{
    int status = find_programs(ret_stage, fault);

    if (!status)
        status = make_folder(out, ret_stage, fault);
    if (!status)
        status = write_plan(ret_stage, plan, fault);
    for (size_t i = 0; i < cast->end_count && !status; i++) {
        if (plan_has_agent(plan, cast->ends[i].end))
            status = make_end(ret_stage, plan, &cast->ends[i],
                              &ret_stage->ends[i], fault);
    }
    return status;
}

static void fill_end(struct world_end *end, const struct stage_end *stage_end,
                     const struct cast_end *cast_end, const struct plan *plan)
{
    static_assert(2 + CAST_HOSTS_MAX <= WORLD_ADDRESSES_MAX,
                  "a computer has room for its addresses");
    const struct plan_practice_end *practice =
        &plan->practice.ends[cast_end->end];

    end->name = plan->ends[cast_end->end].name;
    if (plan_has_agent(plan, cast_end->end)) {
        end->service = stage_end->agent;
        end->log = stage_end->log;
        end->clock = stage_end->clock;
        end->clock_offset_ns = practice->clock_offset_ns;
        end->clock_skew_ppm = practice->clock_skew_ppm;
    }
    end->router = cast_end->router[0] ? cast_end->router : NULL;
    end->addresses[end->address_count++] = cast_end->ipv4;
    end->addresses[end->address_count++] = cast_end->ipv6;
    for (size_t i = 0; i < cast_end->host_count; i++)
        end->addresses[end->address_count++] = cast_end->hosts[i];
}

int stage_fill_world(const struct stage *stage, const struct plan *plan,
                     const struct cast *cast, struct world *ret_world,
                     struct fault *fault)
{
    struct world world = { .plan = plan,
                           .folder = stage->folder,
                           .mtu_bytes = plan->link.mtu_bytes,
                           .end_count = cast->end_count,
                           .names = { .end_count = cast->end_count,
                                      .step_count = plan->step_count } };
    const int status = air_config_from_plan(plan, &world.config, fault);

    if (status)
        return status;
    for (size_t i = 0; i < cast->end_count; i++) {
        fill_end(&world.ends[i], &stage->ends[i], &cast->ends[i], plan);
        world.names.ends[i] = world.ends[i].name;
        if (cast->ends[i].end == plan->controller_end)
            world.operator_end = i;
    }
    for (size_t i = 0; i < plan->step_count; i++)
        world.names.steps[i] = plan->steps[i].name;
    *ret_world = world;
    return 0;
}
