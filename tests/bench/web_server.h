/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BENCH_WEB_SERVER_H
#define BENCH_WEB_SERVER_H

/*
 * The agent's way of receiving (libcurl with its large buffer) from a general
 * web server on this computer, where one is installed; prints a line.  A figure
 * for comparison, no promise hangs on it.
 */
void web_server_beside(int seconds_most);

#endif
