/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_TEXT_H
#define CONTROLLER_TEXT_H

#include <stdbool.h>
#include <stddef.h>

/* What may stand in a text that comes from outside. */

bool text_is_digit(char c);
bool text_is_letter(char c);

/* UTF-8 without control characters and without marks that turn the direction
 * of writing (they make a printed line say something else). */
bool text_is_printable(const char *text);

/* Take off a character that was cut in the middle. */
void text_trim_cut(char *text);

/* A name of an end or a step: letters, digits, '-' and '_'; begins with a
 * letter or a digit (a step's name becomes an argument of a command). */
bool text_is_name(const char *text);

enum address_family {
    ADDRESS_NONE, /* neither numeric nor a host name */
    ADDRESS_HOST_NAME,
    ADDRESS_IPV4,
    ADDRESS_IPV6,
};

enum address_family text_address_family(const char *text);

/* A numeric address of one host, not of a group or of nobody. */
bool text_is_one_host(const char *text);

/* The known word that was most likely meant, or NULL.  words: NULL-ended. */
const char *text_nearest(const char *word, const char *const *words);

/* "a, b or c" */
void text_join(const char *const *words, char *ret_text, size_t size);

#endif
