/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/csv.h"

#include "reports/wording.h"

void csv_text(FILE *out, const char *text)
{
    char clean[1024];

    wording_clean(text, clean, sizeof(clean));
    if (!clean[strcspn(clean, ",\"\r\n")]) {
        (void) fputs(clean, out);
        return;
    }
    (void) fputc('"', out);
    for (const char *at = clean; *at; at++) {
        if (*at == '"')
            (void) fputc('"', out);
        (void) fputc(*at, out);
    }
    (void) fputc('"', out);
}
