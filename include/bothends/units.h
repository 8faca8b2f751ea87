/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_UNITS_H
#define BOTHENDS_UNITS_H

#include <stdint.h>

/*
 * Units.  Inside the programs every number is in its base unit and its name
 * says so; units change only where people read and write.  Rates use SI
 * prefixes (1 kbit/s = 1000 bit/s); 1 kB = 1000 B, 1 KiB = 1024 B.
 */

#define NS_PER_US     UINT64_C(1000)
#define NS_PER_MS     UINT64_C(1000000)
#define NS_PER_S      UINT64_C(1000000000)
#define NS_PER_MIN    (60 * NS_PER_S)
#define BITS_PER_BYTE 8

enum unit {
    UNIT_NONE,
    UNIT_COUNT,    /* how many */
    UNIT_DURATION, /* ns */
    UNIT_BYTES,    /* B */
    UNIT_RATE,     /* bit/s */
    UNIT_BAUD,     /* Bd */
    UNIT_HERTZ,    /* Hz */
    UNIT_WATT,     /* W */
    UNIT_DBM,      /* dBm */
    UNIT_DBI,      /* dBi */
    UNIT_DB,       /* dB */
    UNIT_FLUX,     /* W/m2, power density */
    UNIT_METRE,    /* m */
    UNIT_RATIO,    /* 0 to 1; written as "60 %", "3/4" or "0.75" */
    UNIT_WITHIN,   /* 0 to 1; written as "within 5 %" */
    UNIT_DEGREE,   /* degrees of arc, clockwise from north */
    UNIT_PPM,      /* parts per million */
};

/* One spelling of a unit: value in base units = number x factor. */
struct unit_word {
    enum unit unit;
    const char *word;
    double factor;
};

static const struct unit_word unit_words[] = {
    { UNIT_DURATION, "ns", 1 },     { UNIT_DURATION, "us", 1e3 },
    { UNIT_DURATION, "µs", 1e3 },   { UNIT_DURATION, "ms", 1e6 },
    { UNIT_DURATION, "s", 1e9 },    { UNIT_DURATION, "min", 60e9 },
    { UNIT_DURATION, "h", 3600e9 }, { UNIT_BYTES, "B", 1 },
    { UNIT_BYTES, "kB", 1e3 },      { UNIT_BYTES, "MB", 1e6 },
    { UNIT_BYTES, "GB", 1e9 },      { UNIT_BYTES, "KiB", 1024 },
    { UNIT_BYTES, "MiB", 1048576 }, { UNIT_RATE, "bit/s", 1 },
    { UNIT_RATE, "kbit/s", 1e3 },   { UNIT_RATE, "Mbit/s", 1e6 },
    { UNIT_RATE, "Gbit/s", 1e9 },   { UNIT_BAUD, "Bd", 1 },
    { UNIT_BAUD, "kBd", 1e3 },      { UNIT_BAUD, "MBd", 1e6 },
    { UNIT_HERTZ, "Hz", 1 },        { UNIT_HERTZ, "kHz", 1e3 },
    { UNIT_HERTZ, "MHz", 1e6 },     { UNIT_HERTZ, "GHz", 1e9 },
    { UNIT_WATT, "mW", 1e-3 },      { UNIT_WATT, "W", 1 },
    { UNIT_WATT, "kW", 1e3 },       { UNIT_DBM, "dBm", 1 },
    { UNIT_DBI, "dBi", 1 },         { UNIT_DB, "dB", 1 },
    { UNIT_FLUX, "W/m2", 1 },       { UNIT_FLUX, "W/m²", 1 },
    { UNIT_FLUX, "mW/cm2", 10 },    { UNIT_METRE, "m", 1 },
    { UNIT_METRE, "km", 1e3 },      { UNIT_RATIO, "%", 0.01 },
    { UNIT_WITHIN, "%", 0.01 },     { UNIT_DEGREE, "deg", 1 },
    { UNIT_DEGREE, "°", 1 },        { UNIT_PPM, "ppm", 1 },
};

/* A right value of each unit, for messages: "expected a time such as 250 ms" */
static inline const char *unit_example(enum unit unit)
{
    switch (unit) {
    case UNIT_NONE:
        return "a number";
    case UNIT_COUNT:
        return "a whole number such as 40";
    case UNIT_DURATION:
        return "a time such as 250 ms";
    case UNIT_BYTES:
        return "a size such as 300 kB";
    case UNIT_RATE:
        return "a rate such as 60 kbit/s";
    case UNIT_BAUD:
        return "a symbol rate such as 48 kBd";
    case UNIT_HERTZ:
        return "a frequency such as 200 kHz";
    case UNIT_WATT:
        return "a power such as 2 W";
    case UNIT_DBM:
        return "a level such as -105 dBm";
    case UNIT_DBI:
        return "a gain such as 6 dBi";
    case UNIT_DB:
        return "a ratio such as 3 dB";
    case UNIT_FLUX:
        return "a power density such as 2.9 W/m2";
    case UNIT_METRE:
        return "a length such as 14 km";
    case UNIT_RATIO:
        return "a share such as 60 %, 3/4 or 0.75";
    case UNIT_WITHIN:
        return "a closeness such as within 5 %";
    case UNIT_DEGREE:
        return "an angle such as 270 deg";
    case UNIT_PPM:
        return "a skew such as 20 ppm";
    }
    return "a number";
}

#endif
