/* One plain pass over level words to the columns of SPI words, on one core: edges of the clock,
   bits of both data lines at sampling edges while one device is selected, words of any length, cut
   words, clocks without a select and selects without a clock. The same work as the decoder. */
#include <stdint.h>

enum { CUT = 1, UNSELECTED = 8, GLITCH = 16, NO_CLOCK = 32, IDLE_LEVEL = 128, NOBODY = 255 };

typedef struct {
    int64_t *start_ns, *end_ns;
    uint8_t *device;
    uint32_t *mosi, *miso;
    int64_t *bits;
    uint16_t *problems;
    int64_t rows;
} table;

static void give(table *out, int64_t start, int64_t end, int device, uint32_t mosi, uint32_t miso,
                 int64_t bits, uint32_t problems)
{
    int64_t r = out->rows++;
    out->start_ns[r] = start;
    out->end_ns[r] = end;
    out->device[r] = (uint8_t)device;
    out->mosi[r] = mosi;
    out->miso[r] = miso;
    out->bits[r] = bits;
    out->problems[r] = (uint16_t)problems;
}

/* Lines: bit 0 the clock, 1 MOSI, 2 MISO, 3 the select (active low). */
void decode(const int64_t *t_ns, const uint8_t *levels, int64_t n, int mode, int word_bits,
            int64_t glitch_ns, table *out)
{
    int rising = mode == 0 || mode == 3, trailing = mode & 1, idle = mode >> 1;
    int selected = !(levels[0] >> 3 & 1);
    int64_t begun = t_ns[0], lead = t_ns[0], start = 0, off = -(1LL << 62);
    int64_t stray = 0, stray_from = 0, stray_to = 0, taken = 0, had = 0;
    uint32_t mosi = 0, miso = 0, problems = 0;
    uint8_t was = levels[0];
    for (int64_t i = 1; i < n; i++) {
        uint8_t now = levels[i], changed = was ^ now;
        int64_t t = t_ns[i];
        if (changed & 1) {
            if ((now & 1) == rising) {
                if (selected) {
                    if (!taken) {
                        start = trailing ? lead : t;
                        if (start < begun) start = begun;
                        mosi = miso = 0;
                    }
                    mosi = mosi << 1 | (was >> 1 & 1);
                    miso = miso << 1 | (was >> 2 & 1);
                    had = 1;
                    if (++taken == word_bits) {
                        give(out, start, t, 0, mosi, miso, taken, problems);
                        taken = 0;
                    }
                } else {
                    if (!stray++) stray_from = t;
                    stray_to = t;
                }
            }
            lead = t;
        }
        if (changed & 8) {
            selected = !selected;
            if (selected) {
                if (stray) give(out, stray_from, stray_to, NOBODY, 0, 0, stray, UNSELECTED);
                stray = taken = had = 0;
                begun = t;
                problems = ((was & 1) != idle ? IDLE_LEVEL : 0) | (t - off < glitch_ns ? GLITCH : 0);
            } else {
                off = t;
                if (taken) give(out, start, t, 0, mosi, miso, taken, problems | CUT);
                else if (!had)
                    give(out, begun, t, 0, 0, 0, 0, t - begun < glitch_ns ? GLITCH : NO_CLOCK);
                taken = 0;
            }
        }
        was = now;
    }
}
