/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/text.h"

#include <arpa/inet.h>
#include <bothends/characters.h>
#include <netinet/in.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#define WORD_LENGTH_MAX  64 /* longer words are not compared */
#define LABEL_LENGTH_MAX 63 /* RFC 1035 section 2.3.4 */

bool text_is_digit(char c)
{
    return c >= '0' && c <= '9';
}

bool text_is_letter(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}

bool text_is_printable(const char *text)
{
    return text_is_clean(text);
}

void text_trim_cut(char *text)
{
    size_t length = strlen(text), start = length;

    /* The last character's first byte tells how long it should be. */
    while (start > 0 && ((unsigned char) text[start - 1] & 0xc0) == 0x80)
        start--;
    if (start == 0)
        return;
    const unsigned char first = (unsigned char) text[start - 1];
    const size_t needed = first < 0x80   ? 1
                          : first < 0xe0 ? 2
                          : first < 0xf0 ? 3
                                         : 4;
    if (length - (start - 1) < needed)
        text[start - 1] = '\0';
}

bool text_is_name(const char *text)
{
    if (!text_is_letter(text[0]) && !text_is_digit(text[0]))
        return false;
    for (const char *at = text; *at; at++) {
        if (!text_is_letter(*at) && !text_is_digit(*at) && *at != '-'
            && *at != '_')
            return false;
    }
    return true;
}

/* RFC 1123 section 2.1; a last label of digits only would be a mistyped
 * numeric address. */
static bool is_host_name(const char *text)
{
    const char *label = text;
    bool has_letter = false;

    for (;; label++) {
        const size_t length = strcspn(label, ".");

        if (length == 0 || length > LABEL_LENGTH_MAX || label[0] == '-'
            || label[length - 1] == '-')
            return false;
        has_letter = false;
        for (size_t i = 0; i < length; i++) {
            if (!text_is_letter(label[i]) && !text_is_digit(label[i])
                && label[i] != '-')
                return false;
            has_letter = has_letter || text_is_letter(label[i]);
        }
        label += length;
        if (!*label)
            return has_letter;
    }
}

enum address_family text_address_family(const char *text)
{
    unsigned char address[sizeof(struct in6_addr)];

    if (inet_pton(AF_INET, text, address) == 1)
        return ADDRESS_IPV4;
    if (inet_pton(AF_INET6, text, address) == 1)
        return ADDRESS_IPV6;
    return is_host_name(text) ? ADDRESS_HOST_NAME : ADDRESS_NONE;
}

bool text_is_one_host(const char *text)
{
    struct in6_addr six;
    struct in_addr four;

    if (inet_pton(AF_INET6, text, &six) == 1)
        return !IN6_IS_ADDR_UNSPECIFIED(&six) && !IN6_IS_ADDR_MULTICAST(&six);
    if (inet_pton(AF_INET, text, &four) == 1) {
        const uint32_t host = ntohl(four.s_addr);

        return host >> 24 != 0 && host >> 28 != 0xe && host != UINT32_MAX;
    }
    return true;
}

static size_t least_of(size_t a, size_t b)
{
    return a < b ? a : b;
}

/* Edits that turn one word into the other: a letter put in, left out or
 * replaced, or two neighbours swapped (Damerau's count). */
static size_t edits_between(const char *a, const char *b)
{
    const size_t a_length = strlen(a), b_length = strlen(b);
    size_t before[WORD_LENGTH_MAX + 1] = { 0 },
                                    last[WORD_LENGTH_MAX + 1] = { 0 };
    size_t row[WORD_LENGTH_MAX + 1] = { 0 };

    if (a_length > WORD_LENGTH_MAX || b_length > WORD_LENGTH_MAX)
        return SIZE_MAX;
    for (size_t j = 0; j <= b_length; j++)
        last[j] = j;
    for (size_t i = 1; i <= a_length; i++) {
        row[0] = i;
        for (size_t j = 1; j <= b_length; j++) {
            const size_t changed = last[j - 1] + (a[i - 1] != b[j - 1]);

            row[j] = least_of(changed, 1 + least_of(last[j], row[j - 1]));
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1])
                row[j] = least_of(row[j], before[j - 2] + 1);
        }
        memcpy(before, last, sizeof(last));
        memcpy(last, row, sizeof(last));
    }
    return last[b_length];
}

const char *text_nearest(const char *word, const char *const *words)
{
    const size_t length = strlen(word);
    size_t fewest = length < 3 ? 2 : 1 + length / 3; /* more is a new word */
    const char *nearest = NULL;

    for (size_t i = 0; words[i]; i++) {
        const size_t edits = edits_between(word, words[i]);

        if (edits < fewest || (edits == fewest && !nearest && length > 5)) {
            fewest = edits;
            nearest = words[i];
        }
    }
    return nearest;
}

void text_join(const char *const *words, char *ret_text, size_t size)
{
    size_t used = 0;

    ret_text[0] = '\0';
    for (size_t i = 0; words[i] && used < size; i++) {
        const char *joint = i == 0 ? "" : words[i + 1] ? ", " : " or ";
        const int added =
            snprintf(ret_text + used, size - used, "%s%s", joint, words[i]);

        used += (size_t) added;
    }
}
