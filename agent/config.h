/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_CONFIG_H
#define AGENT_CONFIG_H

#include <bothends/exchange.h>
#include <bothends/fault.h>
#include <bothends/url.h>
#include <stdbool.h>

/*
 * What the owner of this computer allows, from a JSON file of theirs:
 *
 *     { "step_command": ["radio-tool", "--set", "{step}"],
 *       "steps": ["breeze", "fresh"],
 *       "readings_command": ["radio-tool", "--status"],
 *       "allow_urls": ["http://10.71.0.1/test/"] }
 *
 * Nothing that arrives by radio is ever run: a request names a step, and only
 * one of this list; the readings command is run as it stands, before and after
 * an exchange; a download may fetch a URL only if it begins like one of
 * allow_urls (a host by name is looked up by the controller).  The file may not
 * be writable by anybody but its owner, who is root or the user that runs the
 * agent.
 */
#define CONFIG_ARGUMENTS_MAX 32
#define CONFIG_STEPS_MAX     64
#define CONFIG_URLS_MAX      16

struct agent_config {
    /* NULL-terminated; empty: none */
    char *step_command[CONFIG_ARGUMENTS_MAX + 1];
    char *readings_command[CONFIG_ARGUMENTS_MAX + 1];
    char steps[CONFIG_STEPS_MAX][NAME_SIZE];
    size_t step_count;
    struct url_prefix urls[CONFIG_URLS_MAX]; /* what a URL may begin with */
    size_t url_count;
};

/* The fault says place, found, expected. */
int config_read_file(const char *path, struct agent_config *ret_config,
                     struct fault *fault);
/* name is what the fault calls the text. */
int config_read_text(const char *text, size_t text_bytes, const char *name,
                     struct agent_config *ret_config, struct fault *fault);
void config_clear(struct agent_config *config);

bool config_has_step(const struct agent_config *config, const char *name);

#endif
