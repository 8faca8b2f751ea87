/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_POSITION_H
#define BOTHENDS_POSITION_H

#include <ctype.h>
#include <math.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

/*
 * Where an antenna stands, as a plan writes it: a grid locator of 4, 6, 8 or
 * 10 characters (its middle is taken), or latitude and longitude in degrees,
 * "50.125 N, 30.25 W" or "50.125, -30.25".  The Earth is a sphere: distances
 * are right within half a percent.
 */
struct position {
    double latitude_deg, longitude_deg; /* north and east are positive */
    double
        within_m; /* half of the diagonal of a locator's square; 0: a point */
};

#define EARTH_RADIUS_M 6371000.0

static inline double position_radians(double degrees)
{
    return degrees * 3.14159265358979323846 / 180;
}

/* Great-circle length, by the haversine formula (exact for near points). */
static inline double position_distance_m(const struct position *a,
                                         const struct position *b)
{
    const double half_latitude =
        position_radians(b->latitude_deg - a->latitude_deg) / 2;
    const double half_longitude =
        position_radians(b->longitude_deg - a->longitude_deg) / 2;
    const double h = sin(half_latitude) * sin(half_latitude)
                     + cos(position_radians(a->latitude_deg))
                           * cos(position_radians(b->latitude_deg))
                           * sin(half_longitude) * sin(half_longitude);

    return 2 * EARTH_RADIUS_M * asin(sqrt(h < 1 ? h : 1));
}

/* The way to b seen from a: from true north by east, 0 to 360 degrees. */
static inline double position_bearing_deg(const struct position *a,
                                          const struct position *b)
{
    const double from = position_radians(a->latitude_deg);
    const double to = position_radians(b->latitude_deg);
    const double turn = position_radians(b->longitude_deg - a->longitude_deg);
    const double degrees =
        atan2(sin(turn) * cos(to),
              cos(from) * sin(to) - sin(from) * cos(to) * cos(turn))
        / position_radians(1);

    return degrees < 0 ? degrees + 360 : degrees;
}

/*
 * Pairs of a locator, longitude first, from (180 W, 90 S): letters A to R of
 * 20 by 10 degrees, then digits and letters a to x by turns, each dividing
 * what is left by 10 or by 24.
 */
static inline bool position_read_locator(const char *text,
                                         struct position *ret_position)
{
    const size_t length = strlen(text);
    double width_deg = 360, longitude_deg = -180, latitude_deg = -90;

    if (length < 4 || length > 10 || length % 2)
        return false;
    for (size_t i = 0; i < length; i += 2) {
        const bool is_digits = i / 2 % 2;
        const int base = is_digits ? 10 : i == 0 ? 18 : 24;
        const int first = is_digits ? '0' : 'A';
        const int east = toupper((unsigned char) text[i]) - first;
        const int north = toupper((unsigned char) text[i + 1]) - first;

        if (east < 0 || east >= base || north < 0 || north >= base)
            return false;
        width_deg /= base;
        longitude_deg += east * width_deg;
        latitude_deg += north * width_deg / 2;
    }
    *ret_position = (struct position){ latitude_deg + width_deg / 4,
                                       longitude_deg + width_deg / 2, 0 };
    const struct position corner = { latitude_deg, longitude_deg, 0 };
    ret_position->within_m = position_distance_m(&corner, ret_position);
    return true;
}

/* One of the two, "50.125 N" or "-30.25"; gives what follows it, or NULL. */
static inline const char *position_read_degrees(const char *at, char plus,
                                                char minus, double most_deg,
                                                double *ret_degrees)
{
    char *end = NULL;

    at += strspn(at, " ");
    if (!isdigit((unsigned char) *at) && *at != '-' && *at != '.')
        return NULL; /* no "nan", no "0x" that strtod would take */
    if (strcspn(at, "xX") < strcspn(at, ", "))
        return NULL;
    const double degrees = strtod(at, &end);
    if (end == at)
        return NULL;
    end += strspn(end, " ");
    if (strncmp(end, "\xc2\xb0", 2) == 0) /* a degree sign */
        end += 2;
    end += strspn(end, " ");
    const char side = (char) toupper((unsigned char) *end);
    const bool has_side = side == plus || side == minus;
    if (!(fabs(degrees) <= most_deg) || (has_side && degrees < 0))
        return NULL;
    *ret_degrees = side == minus ? -degrees : degrees;
    return has_side ? end + 1 : end;
}

/* False when it is none. */
static inline bool position_read(const char *text,
                                 struct position *ret_position)
{
    double latitude_deg = 0, longitude_deg = 0;

    if (position_read_locator(text, ret_position))
        return true;
    const char *at = position_read_degrees(text, 'N', 'S', 90, &latitude_deg);
    if (!at)
        return false;
    at += strspn(at, " ");
    if (*at == ',')
        at++;
    else if (at[-1] != ' ')
        return false;
    at = position_read_degrees(at, 'E', 'W', 180, &longitude_deg);
    if (!at || at[strspn(at, " ")])
        return false;
    *ret_position = (struct position){ latitude_deg, longitude_deg, 0 };
    return true;
}

#endif
