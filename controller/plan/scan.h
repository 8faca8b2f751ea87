/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_SCAN_H
#define CONTROLLER_PLAN_SCAN_H

#include "controller/plan/walk.h"

/*
 * First pass over the text: is it YAML, one document, of sane depth, and free
 * of what a plan has no use for (anchors and aliases, which can make cycles;
 * tags)?  False when there is no sense in reading on.
 */
bool plan_scan(struct walk *walk, const char *text, size_t text_bytes);

#endif
