/* One plain pass over edges to the columns of I2C transactions and idle spans, on one core.
   The same work as the decoder: spikes and holds are looked for (the data have none), clocks are
   measured, bytes read, addresses and problems told. */
#include <stdint.h>

enum { ADDRESS_NACK = 1, DATA_NACK = 2, READ_END_ACKED = 4, CUT_IN_BYTE = 8, NO_STOP = 16,
       VOID = 128, RESERVED = 256, SCL_HELD = 1024, SPIKE = 2048 };

typedef struct {
    int64_t *start_ns, *end_ns;
    int16_t *address;
    uint8_t *address_bits, *read, *address_acked;
    int64_t *first;
    uint8_t *data, *acked, *started_by, *ended_by, *bits_over;
    int64_t *scl_low_max_ns;
    uint32_t *problems;
    int64_t *idle_start_ns, *idle_end_ns;
    int64_t rows, bytes, idles, spikes, holds;
} table;

void decode(const int64_t *t_ns, const uint8_t *levels, int64_t n, int64_t spike_ns,
            int64_t held_ns, table *out)
{
    int open = 0, header = 0, restart = 0, pending = -1, clocks = 0, ten_bit = 0;
    uint8_t shift = 0, first_byte = 0;
    int64_t fall_ns = 0, low_max = 0, idle_from = t_ns[0], scl_edge = -1000000, sda_edge = -1000000;
    int64_t r = 0, m = 0;
    uint32_t problems = 0;
    for (int64_t i = 1; i < n; i++) {
        uint8_t was = levels[i - 1], now = levels[i], changed = was ^ now;
        int64_t t = t_ns[i], gap = t - t_ns[i - 1];
        if (changed & 1) {
            out->spikes += t - scl_edge < spike_ns;
            scl_edge = t;
            if (now & 1) {                         /* SCL rises: the bit, if SCL falls next */
                int64_t low = t - fall_ns;
                if (low > low_max) low_max = low;
                pending = now >> 1 & 1;
            } else {
                fall_ns = t;
                if (pending >= 0 && open) {
                    if (++clocks < 9) {
                        shift = (uint8_t)(shift << 1 | pending);
                    } else {
                        int acked = !pending;
                        clocks = 0;
                        if (header == 0) {
                            first_byte = shift;
                            header = 1;
                            out->read[r] = shift & 1;
                            out->address[r] = shift >> 1;
                            out->address_bits[r] = 7;
                            out->address_acked[r] = (uint8_t)acked;
                            if (!acked && shift != 1) problems |= ADDRESS_NACK;
                            if ((shift >= 2 && shift < 16) || shift >= 0xF8) problems |= RESERVED;
                            if ((shift & 0xF8) == 0xF0) {
                                out->address_bits[r] = 10;
                                out->address[r] = shift & 1 ? (int16_t)ten_bit : -1;
                            }
                        } else if (header == 1 && (first_byte & 0xF9) == 0xF0) {
                            ten_bit = (first_byte & 6) << 7 | shift;
                            out->address[r] = (int16_t)ten_bit;
                            out->address_acked[r] &= acked;
                            if (!acked) problems |= ADDRESS_NACK;
                            header = 2;
                        } else {
                            header = header < 2 ? 2 : header;
                            out->data[m] = shift;
                            out->acked[m++] = (uint8_t)acked;
                            if (!acked && !(first_byte & 1)) problems |= DATA_NACK;
                        }
                    }
                }
                pending = -1;
            }
        }
        if (changed & 2) {
            out->spikes += t - sda_edge < spike_ns;
            sda_edge = t;
            if (was & now & 1) {                   /* a condition */
                int is_start = !(now & 2);
                pending = -1;
                if (open) {
                    int over = clocks, whole = header > 0;
                    out->end_ns[r] = t;
                    out->started_by[r] = (uint8_t)restart;
                    out->ended_by[r] = !is_start ? 0 : (over || gap >= held_ns) ? 2 : 1;
                    restart = out->ended_by[r] == 1;
                    if (over) problems |= CUT_IN_BYTE;
                    if (out->ended_by[r] == 2) problems |= NO_STOP;
                    if (!whole && !over) problems |= VOID;
                    if (whole && (first_byte & 1) && m > out->first[r] && out->acked[m - 1] && !over)
                        problems |= READ_END_ACKED;
                    if (low_max >= held_ns) problems |= SCL_HELD;
                    if (!whole) {
                        out->address[r] = -1;
                        out->address_bits[r] = out->read[r] = out->address_acked[r] = 0;
                    }
                    out->bits_over[r] = (uint8_t)over;
                    out->scl_low_max_ns[r] = low_max;
                    out->problems[r] = problems;
                    out->first[++r] = m;
                } else if (is_start && t > idle_from) {
                    out->idle_start_ns[out->idles] = idle_from;
                    out->idle_end_ns[out->idles++] = t;
                }
                open = is_start;
                if (is_start) out->start_ns[r] = t;
                else { idle_from = t; restart = 0; }
                clocks = header = 0;
                problems = 0;
                low_max = 0;
            }
        }
        if (gap >= held_ns && !((was & 3) == 3 && !open)) out->holds++;
    }
    out->rows = r;
    out->bytes = m;
}
