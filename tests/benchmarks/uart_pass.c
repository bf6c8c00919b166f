/* One plain pass over level words to the columns of serial bytes, on one core: edges of one line,
   start edges, samples in the middle of bits, framing, parity, breaks, short pulses, and the sums
   the baud is measured by. The same work as the decoder, sample by sample as edges come. */
#include <stdint.h>

enum { FRAMING = 1, PARITY = 2, BREAK = 4, GLITCH = 16 };

typedef struct {
    int64_t *start_ns, *end_ns;
    int16_t *value;
    uint8_t *parity_ok, *framing_ok;
    uint16_t *problems;
    int64_t rows, rejected, bits_by_ns, bits_squared;
} table;

typedef struct {
    int64_t bit_ps, half_ns, stop_ns, frame_ns;
    int32_t data_bits, samples, parity; /* parity: 0 none, 1 odd, 2 even */
} format;

static void give(const format *f, table *out, int64_t start, int64_t end, int64_t low_until,
                 uint32_t word, uint32_t problems, int64_t last_fall, int32_t last_bit)
{
    int64_t r = out->rows++;
    uint32_t value = word & ((1u << f->data_bits) - 1);
    if (low_until - start > f->frame_ns) {
        problems = BREAK;
        end = low_until;
        value = 0;
    } else {
        if (!(word >> (f->samples - 1) & 1)) problems |= FRAMING;
        if (f->parity) {
            uint32_t ones = (uint32_t)__builtin_popcount(word & ((1u << (f->data_bits + 1)) - 1));
            if ((ones & 1) != (uint32_t)(f->parity & 1)) problems |= PARITY;
        }
    }
    out->start_ns[r] = start;
    out->end_ns[r] = end;
    out->value[r] = (int16_t)value;
    out->parity_ok[r] = !(problems & PARITY);
    out->framing_ok[r] = !(problems & (FRAMING | BREAK));
    out->problems[r] = (uint16_t)problems;
    if (!problems && last_bit > 0) {
        out->bits_by_ns += last_bit * (last_fall - start);
        out->bits_squared += last_bit * last_bit;
    }
}

void decode(const int64_t *t_ns, const uint8_t *levels, int64_t n, int line, const format *f,
            table *out)
{
    int was = levels[0] >> line & 1, in_byte = 0;
    int64_t start = 0, edge = t_ns[0], next = 0, last_fall = 0, first_rise = 0;
    int32_t sample = 0, last_bit = 0;
    uint32_t word = 0, problems = 0;
    for (int64_t i = 1; i < n; i++) {
        int now = levels[i] >> line & 1;
        if (now == was) continue;
        int64_t t = t_ns[i];
        if (in_byte) { /* take the samples that came before this edge */
            while (sample < f->samples && next <= t * 1000) {
                word |= (uint32_t)was << sample++;
                next += f->bit_ps;
            }
            if (was == 0 && !first_rise) {
                first_rise = t;
                if (t - start < f->half_ns) { /* too short for a start bit */
                    in_byte = 0;
                    out->rejected++;
                }
            } else if (sample < f->samples && t - edge < f->half_ns)
                problems |= GLITCH;
        }
        if (!now) {
            if (in_byte && t - start >= f->stop_ns) {
                int64_t end = start + f->frame_ns;
                give(f, out, start, t < end ? t : end, first_rise, word, problems, last_fall, last_bit);
                in_byte = 0;
            }
            if (!in_byte) {
                in_byte = 1;
                start = t;
                next = t * 1000 + f->bit_ps * 3 / 2;
                sample = last_bit = 0;
                word = problems = 0;
                first_rise = 0;
            } else {
                last_fall = t;
                last_bit = sample + 1;
            }
        }
        was = now;
        edge = t;
    }
    if (in_byte) { /* the line stays high after the last edge */
        while (sample < f->samples) word |= (uint32_t)was << sample++;
        give(f, out, start, start + f->frame_ns, first_rise, word, problems, last_fall, last_bit);
    }
}
