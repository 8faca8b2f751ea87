/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef TESTS_PLAN_PROPERTY_H
#define TESTS_PLAN_PROPERTY_H

#include <bothends/plan.h>

/*
 * What holds for every text, plan or not: it is either read, and then written
 * back as a plan that reads as an equal one; or refused, with mistakes that
 * stand inside the text and can be printed.  NULL, or what does not hold.
 */
const char *plan_property_broken(const char *text, size_t text_bytes);

/* Every member that a field list names is the same to the last bit. */
bool plan_is_equal(const struct plan *one, const struct plan *other);

#endif
