"""The C pass beside which delimited captures are measured: one plain pass on one core."""

from __future__ import annotations

import ctypes
from pathlib import Path

from tests.benchmarks.measure import compiled

_SOURCE = r"""
#include <stdint.h>
#include <stdio.h>
#include <string.h>

enum { BLOCK = 1 << 20, ROWS = 1 << 16 };
static char text[BLOCK + 4096];
static int64_t row_t[ROWS];
static uint8_t row_level[ROWS];

/* transactions table: a ring, since only its making is measured */
enum { TABLE = 1 << 16, BYTES = 1 << 20 };
static int64_t start_ns[TABLE], end_ns[TABLE], scl_low_max_ns[TABLE], first_byte[TABLE];
static int16_t address[TABLE];
static uint8_t is_read[TABLE], address_acked[TABLE], started_by[TABLE], ended_by[TABLE],
    bits_over[TABLE], bytes[BYTES], acked[BYTES];

typedef struct {
    int64_t transactions, data, start, low_since, low_max, last_t;
    int busy, bits, shift, count, restart, level, row_address, row_read, row_acked;
} decoder;

static void close_row(decoder *d, int64_t t, int how) {
    int64_t k = d->transactions++ & (TABLE - 1);
    start_ns[k] = d->start; end_ns[k] = t; address[k] = d->row_address;
    is_read[k] = d->row_read; address_acked[k] = d->row_acked; first_byte[k] = d->data;
    started_by[k] = d->restart; ended_by[k] = how; bits_over[k] = d->bits;
    scl_low_max_ns[k] = d->low_max;
}

static inline void edge(decoder *d, int64_t t, int level) {
    int was = d->level, change = was ^ level;
    if (change & 1) {                       /* SCL */
        if (level & 1) {
            int64_t low = t - d->low_since;
            if (low > d->low_max) d->low_max = low;
            if (d->busy) {
                d->shift = d->shift << 1 | level >> 1;
                if (++d->bits == 9) {
                    int value = d->shift >> 1 & 0xFF, ack = !(d->shift & 1);
                    if (d->count++ == 0) {
                        d->row_address = value >> 1; d->row_read = value & 1; d->row_acked = ack;
                    } else {
                        int64_t k = d->data++ & (BYTES - 1);
                        bytes[k] = value; acked[k] = ack;
                    }
                    d->bits = 0; d->shift = 0;
                }
            }
        } else d->low_since = t;
    } else if (change & 2 && level & 1) {   /* SDA while SCL is high: START or STOP */
        if (!(level & 2)) {
            if (d->busy) close_row(d, t, 1);
            d->restart = d->busy; d->busy = 1; d->start = t;
            d->bits = d->shift = d->count = 0; d->low_max = 0; d->row_address = -1;
        } else if (d->busy) {
            d->bits = 0; close_row(d, t, 0); d->busy = 0;
        }
    }
    d->level = level; d->last_t = t;
}

/* [-]digits[.digits][e[+-]digits] of seconds, to ns; digits finer than 1 ns are cut */
static inline const char *seconds(const char *p, int64_t *out) {
    int minus = 0, places = 9, exponent = 0;
    int64_t value = 0;
    if (*p == '-') { minus = 1; p++; }
    while ((unsigned)(*p - '0') < 10) value = value * 10 + (*p++ - '0');
    if (*p == '.') {
        p++;
        while ((unsigned)(*p - '0') < 10) {
            if (places > -9) { value = value * 10 + (*p - '0'); places--; }
            p++;
        }
    }
    if (*p == 'e') {
        int down = *++p == '-';
        if (*p == '-' || *p == '+') p++;
        while ((unsigned)(*p - '0') < 10) exponent = exponent * 10 + (*p++ - '0');
        places += down ? -exponent : exponent;
    }
    while (places > 0) { value *= 10; places--; }
    while (places < 0) { value /= 10; places++; }
    *out = minus ? -value : value;
    return p;
}

/* whole lines to rows; a row that changes nothing is dropped */
static int64_t rows_of(const char *p, const char *end, int *level, int64_t *n_rows, int64_t *fed,
                       decoder *d) {
    int64_t n = 0, kept = 0;
    while (p < end) {
        int64_t t;
        p = seconds(p, &t);
        if (*p != ',') return -1;
        int scl = p[1] - '0', sda = p[3] - '0';
        if ((unsigned)scl > 1 || p[2] != ',' || (unsigned)sda > 1) return -1;
        p += 4;
        if (*p == '\r') p++;
        if (*p++ != '\n') return -1;
        int now = scl | sda << 1;
        (*n_rows)++;
        if (now == *level) continue;
        *level = now;
        kept++;
        if (d) edge(d, t, now);
        else { row_t[n] = t; row_level[n] = now; if (++n == ROWS) n = 0; }
    }
    *fed += kept;
    return 0;
}

/* result: rows, edges, transactions, data bytes, last time */
int64_t pass(const char *path, int decode, int64_t *result) {
    FILE *file = fopen(path, "rb");
    if (!file) return -1;
    setvbuf(file, NULL, _IONBF, 0);
    decoder d = {0};
    d.level = 3;
    int level = -1;
    size_t held = 0, got;
    int head = 1;
    while ((got = fread(text + held, 1, BLOCK - held, file)) > 0) {
        char *begin = text, *stop = text + held + got, *end = stop;
        while (end > text && end[-1] != '\n') end--;
        if (head) { while (*begin++ != '\n'); head = 0; }
        if (rows_of(begin, end, &level, &result[0], &result[1], decode ? &d : NULL) < 0) return -2;
        held = stop - end;
        memmove(text, end, held);
    }
    fclose(file);
    result[2] = d.transactions; result[3] = d.data; result[4] = d.last_t;
    return 0;
}
"""


class CPass:
    """Read a capture `s,scl,sda` in C: to edges, or on to a table of transactions."""

    def __init__(self, folder: Path) -> None:
        self._pass = compiled(_SOURCE, folder, "delimited_pass").__getattr__("pass")
        self._pass.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.POINTER(ctypes.c_int64)]
        self._pass.restype = ctypes.c_int64

    def run(self, path: Path, *, decode: bool) -> tuple[int, int, int, int]:
        """Read a file; return rows, edges, transactions and data bytes."""
        result = (ctypes.c_int64 * 5)()
        status = self._pass(str(path).encode(), int(decode), result)
        if status:
            raise RuntimeError(f"the C pass ended with {status} on {path.name}")
        return int(result[0]), int(result[1]), int(result[2]), int(result[3])
