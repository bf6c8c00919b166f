/* One plain pass over a classic network capture (Ethernet, IPv4, TCP without loss) to columns of
   MQTT messages, on one core: frames, connections by their ports, bytes of each direction put end
   to end, control packets, topics looked up, payloads copied. What the decoder does where nothing
   goes wrong. */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

enum { FLOWS = 1 << 16, TOPICS = 1 << 12 };

typedef struct {
    int64_t *t_ns, *number, *first;
    int32_t *topic;
    uint8_t *direction, *data;
    int64_t rows, bytes, others;
} table;

typedef struct {
    uint8_t *bytes;
    int64_t length, room;
    uint32_t next;
    int begun;
} flow;

static flow flows[2 * FLOWS];
static struct { uint64_t hash; int32_t length; char text[120]; } topics[TOPICS];

static uint32_t be32(const uint8_t *p) { return (uint32_t)p[0] << 24 | p[1] << 16 | p[2] << 8 | p[3]; }
static uint32_t be16(const uint8_t *p) { return (uint32_t)p[0] << 8 | p[1]; }
static uint32_t le32(const uint8_t *p) { return (uint32_t)p[3] << 24 | p[2] << 16 | p[1] << 8 | p[0]; }

static int32_t topic_of(const uint8_t *text, int32_t length)
{
    uint64_t hash = 1469598103934665603u;
    for (int32_t i = 0; i < length; i++) hash = (hash ^ text[i]) * 1099511628211u;
    uint32_t at = (uint32_t)hash & (TOPICS - 1);
    while (topics[at].length
           && (topics[at].hash != hash || topics[at].length != length
               || memcmp(topics[at].text, text, (size_t)length)))
        at = (at + 1) & (TOPICS - 1);
    if (!topics[at].length) {
        topics[at].hash = hash;
        topics[at].length = length;
        memcpy(topics[at].text, text, (size_t)length);
    }
    return (int32_t)at;
}

static int64_t cut(flow *f, int direction, int64_t t_ns, int64_t number, table *out)
{
    int64_t at = 0;
    while (f->length - at >= 2) {
        int64_t length = 0, header = 1;
        int shift = 0;
        for (; header < 5 && at + header < f->length; header++, shift += 7) {
            length |= (int64_t)(f->bytes[at + header] & 0x7f) << shift;
            if (f->bytes[at + header] < 0x80) { header++; shift = -1; break; }
        }
        if (shift >= 0 || at + header + length > f->length) break;
        const uint8_t *body = f->bytes + at + header;
        if ((f->bytes[at] & 0xfe) == 0x30 && length > 2) {
            int32_t size = (int32_t)be16(body);
            int64_t r = out->rows++, payload = length - 2 - size;
            out->t_ns[r] = t_ns;
            out->number[r] = number;
            out->direction[r] = (uint8_t)direction;
            out->topic[r] = topic_of(body + 2, size);
            out->first[r] = out->bytes;
            memcpy(out->data + out->bytes, body + 2 + size, (size_t)payload);
            out->bytes += payload;
        } else
            out->others++;
        at += header + length;
    }
    return at;
}

void decode(const uint8_t *file, int64_t size, table *out)
{
    int64_t number = 0;
    for (int64_t at = 24; at + 16 <= size;) {
        int64_t t_ns = (int64_t)le32(file + at) * 1000000000 + le32(file + at + 4);
        int64_t length = le32(file + at + 8);
        const uint8_t *ip = file + at + 16 + 14;
        at += 16 + length;
        if (at > size) break;
        number++;
        if (ip[0] >> 4 != 4 || ip[9] != 6) continue;
        const uint8_t *tcp = ip + (ip[0] & 15) * 4;
        const uint8_t *data = tcp + (tcp[12] >> 4) * 4;
        int64_t bytes = ip + be16(ip + 2) - data;
        int to_broker = be16(tcp + 2) == 1883;
        flow *f = &flows[2 * (be16(to_broker ? tcp : tcp + 2)) + to_broker];
        uint32_t seq = be32(tcp + 4);
        if (tcp[13] & 2) { f->begun = 1; f->next = seq + 1; f->length = 0; continue; }
        if (!f->begun || bytes <= 0 || seq != f->next) continue;
        f->next = seq + (uint32_t)bytes;
        if (f->length + bytes > f->room) {
            f->room = 2 * (f->length + bytes);
            f->bytes = realloc(f->bytes, (size_t)f->room);
        }
        memcpy(f->bytes + f->length, data, (size_t)bytes);
        f->length += bytes;
        int64_t used = cut(f, to_broker, t_ns, number, out);
        memmove(f->bytes, f->bytes + used, (size_t)(f->length - used));
        f->length -= used;
    }
}
