/* One plain pass over level words to the pulses of one line, on one core. */
#include <stdint.h>

int64_t decode(const int64_t *t_ns, const uint8_t *levels, int64_t n, int line, int64_t *start_ns,
               int64_t *end_ns, int64_t *period_ns)
{
    int64_t rows = 0, begun = 0, last = 0;
    int open = 0, was = levels[0] >> line & 1;
    for (int64_t i = 1; i < n; i++) {
        int now = levels[i] >> line & 1;
        if (now == was) continue;
        if (now) {
            begun = t_ns[i];
            open = 1;
        } else if (open) {
            start_ns[rows] = begun;
            end_ns[rows] = t_ns[i];
            period_ns[rows] = rows ? begun - last : -1;
            last = begun;
            open = 0;
            rows++;
        }
        was = now;
    }
    return rows;
}
