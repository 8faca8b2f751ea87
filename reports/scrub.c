/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/scrub.h"

#include <arpa/inet.h>
#include <bothends/position.h>
#include <ctype.h>
#include <stdio.h>
#include <strings.h>

#define WORD_SIZE  160
#define SCRUB_SIZE 1024 /* of the longest text, with what is put in */

struct scrub_word {
    char word[WORD_SIZE], instead[WORD_SIZE];
};

/* What begins here?  The length of what is to go, 0 for nothing, and what
 * stands in its place. */
typedef size_t match_fn(const struct scrub *scrub, const char *at,
                        char ret_instead[WORD_SIZE]);

void scrub_init(struct scrub *scrub, unsigned locator_character_count)
{
    *scrub = (struct scrub){
        .words.row_size = sizeof(struct scrub_word),
        .locator_character_count = locator_character_count,
    };
}

void scrub_clear(struct scrub *scrub)
{
    rows_clear(&scrub->words);
}

void scrub_add_word(struct scrub *scrub, const char *word, const char *instead)
{
    if (!word[0])
        return;
    struct scrub_word *added = rows_add(&scrub->words);

    (void) snprintf(added->word, WORD_SIZE, "%s", word);
    (void) snprintf(added->instead, WORD_SIZE, "%s", instead);
}

static bool is_letter_or_digit(char character)
{
    return isalnum((unsigned char) character) != 0;
}

/* --- words ---------------------------------------------------------------- */

static size_t match_word(const struct scrub *scrub, const char *at,
                         char ret_instead[WORD_SIZE])
{
    for (size_t i = 0; i < scrub->words.count; i++) {
        const struct scrub_word *word = rows_at(&scrub->words, i);
        const size_t length = strlen(word->word);

        if (strncasecmp(at, word->word, length) != 0
            || is_letter_or_digit(at[length]))
            continue;
        /* What stays keeps its own capitals. */
        if (strcmp(word->word, word->instead) == 0)
            (void) snprintf(ret_instead, WORD_SIZE, "%.*s", (int) length, at);
        else
            (void) snprintf(ret_instead, WORD_SIZE, "%s", word->instead);
        return length;
    }
    return 0;
}

/* --- addresses ------------------------------------------------------------ */

static size_t match_card(const struct scrub *scrub, const char *at,
                         char ret_instead[WORD_SIZE])
{
    (void) scrub;
    for (size_t i = 0; i < 6; i++) {
        const char *pair = at + 3 * i;

        if (!isxdigit((unsigned char) pair[0])
            || !isxdigit((unsigned char) pair[1]))
            return 0;
        if (i < 5 && pair[2] != ':' && pair[2] != '-')
            return 0;
        if (i == 5 && (is_letter_or_digit(pair[2]) || pair[2] == ':'))
            return 0;
    }
    (void) snprintf(ret_instead, WORD_SIZE, "(card)");
    return 17;
}

/* The longest beginning of the run of these characters that is an address. */
static size_t match_address(const char *at, const char *characters, int family,
                            size_t least)
{
    unsigned char ignored[sizeof(struct in6_addr)];
    char text[INET6_ADDRSTRLEN];
    size_t length = strspn(at, characters);

    if (length >= sizeof(text))
        length = sizeof(text) - 1;
    for (; length >= least; length--) {
        (void) snprintf(text, sizeof(text), "%.*s", (int) length, at);
        if (inet_pton(family, text, ignored) == 1
            && !is_letter_or_digit(at[length]))
            return length;
    }
    return 0;
}

static size_t match_ip6(const struct scrub *scrub, const char *at,
                        char ret_instead[WORD_SIZE])
{
    size_t length = match_address(at, "0123456789abcdefABCDEF:.", AF_INET6, 3);

    (void) scrub;
    if (!length)
        return 0;
    if (at[length] == '%') /* its interface */
        length += 1
                  + strspn(at + length + 1, "abcdefghijklmnopqrstuvwxyz"
                                            "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
                                            "0123456789-_");
    (void) snprintf(ret_instead, WORD_SIZE, "(address)");
    return length;
}

static size_t match_ip4(const struct scrub *scrub, const char *at,
                        char ret_instead[WORD_SIZE])
{
    (void) scrub;
    (void) snprintf(ret_instead, WORD_SIZE, "(address)");
    return match_address(at, "0123456789.", AF_INET, 7);
}

/* --- positions ------------------------------------------------------------ */

/* The text's first so many bytes are a position: its locator, or "". */
static void locator_of(const struct scrub *scrub,
                       const struct position *position,
                       char ret_instead[WORD_SIZE])
{
    double width_deg = 360;
    double east_deg = position->longitude_deg + 180;
    double north_deg = position->latitude_deg + 90;
    size_t used = 0;

    for (; used + 1 < scrub->locator_character_count; used += 2) {
        const bool is_digits = used / 2 % 2;
        const int base = is_digits ? 10 : used == 0 ? 18 : 24;
        const int first = is_digits ? '0' : used == 0 ? 'A' : 'a';

        width_deg /= base;
        const int east = (int) fmin(base - 1, floor(east_deg / width_deg));
        const int north =
            (int) fmin(base - 1, floor(north_deg / (width_deg / 2)));

        ret_instead[used] = (char) (first + east);
        ret_instead[used + 1] = (char) (first + north);
        east_deg -= east * width_deg;
        north_deg -= north * width_deg / 2;
    }
    ret_instead[used] = '\0';
}

static void put_locator(const struct scrub *scrub,
                        const struct position *position,
                        char ret_instead[WORD_SIZE])
{
    locator_of(scrub, position, ret_instead);
    if (!ret_instead[0])
        (void) snprintf(ret_instead, WORD_SIZE, "(position)");
}

/* Longer than may be told; a shorter one stays as it is. */
static size_t match_locator(const struct scrub *scrub, const char *at,
                            char ret_instead[WORD_SIZE])
{
    char text[12];
    struct position position;
    size_t length = 0;

    while (length < sizeof(text) && is_letter_or_digit(at[length]))
        length++;
    /* One of four characters may as well be the name of a radio. */
    if (length < 6 || length > 10 || length <= scrub->locator_character_count)
        return 0;
    (void) snprintf(text, sizeof(text), "%.*s", (int) length, at);
    if (!position_read_locator(text, &position))
        return 0;
    put_locator(scrub, &position, ret_instead);
    return length;
}

/* Is this number one of a position?  It has two decimals or more and a degree
 * sign or a side behind it, or three decimals: "2 s, 3 w" and "1.50" have not.
 */
static bool is_coordinate(const char *from, const char *to)
{
    const char *point = memchr(from, '.', (size_t) (to - from));
    const size_t decimals = point ? strspn(point + 1, "0123456789") : 0;
    bool has_side = false;

    for (const char *at = from; at < to; at++)
        has_side = has_side || *at == '\xb0' || strchr("NSEW", *at);
    return decimals >= 3 || (decimals >= 2 && has_side);
}

/* Latitude and longitude as a plan writes them. */
static size_t match_degrees(const struct scrub *scrub, const char *at,
                            char ret_instead[WORD_SIZE])
{
    struct position position = { 0, 0, 0 };

    if (!isdigit((unsigned char) *at) && *at != '-')
        return 0;
    const char *middle =
        position_read_degrees(at, 'N', 'S', 90, &position.latitude_deg);
    if (!middle || !is_coordinate(at, middle))
        return 0;
    const char *second = middle + strspn(middle, " ,;/");
    if (second == middle)
        return 0;
    const char *end =
        position_read_degrees(second, 'E', 'W', 180, &position.longitude_deg);
    if (!end || !is_coordinate(second, end) || is_letter_or_digit(*end))
        return 0;
    while (end[-1] == ' ')
        end--;
    put_locator(scrub, &position, ret_instead);
    return (size_t) (end - at);
}

/* One angle with its side: 50.1° N, 50°7'30" N, 50° 7.5′ N. */
static size_t match_angle(const struct scrub *scrub, const char *at,
                          char ret_instead[WORD_SIZE])
{
    static const char degree[] = "\xc2\xb0";
    const char *end = at + strspn(at, "0123456789. ");

    (void) scrub;
    if (!isdigit((unsigned char) *at)
        || strncmp(end, degree, strlen(degree)) != 0)
        return 0;
    end += strlen(degree);
    /* Minutes and seconds, with straight or curled marks. */
    end += strspn(end, "0123456789. '\"\xe2\x80\xb2\xb3\x99\x9d");
    if (!strchr("NSEWnsew", *end) || !*end || is_letter_or_digit(end[1]))
        return 0;
    (void) snprintf(ret_instead, WORD_SIZE, "(position)");
    return (size_t) (end + 1 - at);
}

/* --- the whole ------------------------------------------------------------ */

static match_fn *const matches[] = { match_word,   match_card,    match_ip6,
                                     match_ip4,    match_degrees, match_angle,
                                     match_locator };

static size_t match_any(const struct scrub *scrub, const char *at,
                        char ret_instead[WORD_SIZE])
{
    for (size_t i = 0; i < COUNT_OF(matches); i++) {
        const size_t length = matches[i](scrub, at, ret_instead);

        if (length)
            return length;
    }
    return 0;
}

void scrub_text(const struct scrub *scrub, char *text, size_t size)
{
    char clean[SCRUB_SIZE];
    size_t used = 0;
    const char *at = text;

    while (*at && used + WORD_SIZE < sizeof(clean)) {
        char instead[WORD_SIZE] = "";
        const bool is_inside =
            at > text && is_letter_or_digit(at[-1]) && is_letter_or_digit(*at);
        const size_t length = is_inside ? 0 : match_any(scrub, at, instead);

        if (length)
            used += (size_t) snprintf(clean + used, WORD_SIZE, "%s", instead);
        else
            clean[used++] = *at;
        at += length ? length : 1;
    }
    clean[used] = '\0';
    (void) snprintf(text, size, "%s", clean);
}

void scrub_fields(const struct scrub *scrub, const struct field *fields,
                  size_t count, void *record)
{
    for (size_t i = 0; i < count; i++) {
        if (fields[i].shape == FIELD_TEXT)
            scrub_text(scrub, field_in(&fields[i], record), fields[i].size);
    }
}

void scrub_position(const struct scrub *scrub, char *text, size_t size)
{
    char locator[WORD_SIZE] = "";
    struct position position;

    if (position_read_locator(text, &position)
        && strlen(text) <= scrub->locator_character_count)
        return;
    if (position_read(text, &position))
        locator_of(scrub, &position, locator);
    (void) snprintf(text, size, "%s", locator);
}
