/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/csv.h"

#include "reports/wording.h"

#include <stdlib.h>
#include <string.h>

/* A spreadsheet takes it for a formula: "=…", and "-x", but not "-87". */
static bool is_formula(const char *text)
{
    char *end;

    if (!text[0] || !strchr("=@+-", text[0]))
        return false;
    (void) strtod(text, &end);
    return end == text || *end;
}

void csv_text(FILE *out, const char *text)
{
    char clean[1024] = "'";

    wording_clean(text, clean + 1, sizeof(clean) - 1);
    if (!is_formula(clean + 1))
        (void) memmove(clean, clean + 1, strlen(clean));
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
