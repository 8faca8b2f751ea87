/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef COMMANDS_PICTURE_H
#define COMMANDS_PICTURE_H

#include <reports/picture.h>

/* Draws the air of the rehearsal in folder into out, and says where. */
int picture_of_rehearsal(const char *folder, const char *out,
                         const struct picture_wish *wish, struct fault *fault);

#endif
