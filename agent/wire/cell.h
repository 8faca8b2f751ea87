/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WIRE_CELL_H
#define WIRE_CELL_H

#include <bothends/fields.h>

/* One value of a series, as columns.h sees it. */

/* These travel as differences; the other shapes as a list of values. */
static inline bool cell_is_whole(enum field_shape shape)
{
    return shape == FIELD_WHOLE || shape == FIELD_SIGNED
           || shape == FIELD_CHOICE || shape == FIELD_FLAG;
}

static inline int64_t cell_read(const struct field *field, const void *row)
{
    const void *member = field_of(field, row);

    if (field->shape == FIELD_CHOICE)
        return *(const int *) member;
    if (field->shape == FIELD_FLAG)
        return *(const bool *) member ? 1 : 0;
    return *(const int64_t *) member; /* FIELD_WHOLE was held against it */
}

#endif
