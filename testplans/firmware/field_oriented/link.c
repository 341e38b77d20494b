/* The serial link: lines of text with a checksum, as profiles/dosing-lines.profile.yaml says. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "drive.h"

static char line[64];
static unsigned length;
static uint8_t waiting[512];              /* for the host: a ring */
static unsigned first, end;
static unsigned stream_every, stream_phase, sequence;   /* PWM periods */

void link_reset(void)
{
    length = first = end = stream_every = stream_phase = sequence = 0;
}

static unsigned crc16(const char *text)   /* CRC-16/IBM-3740 */
{
    unsigned crc = 0xFFFF;
    for (; *text; text++) {
        crc ^= (unsigned)(uint8_t)*text << 8;
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 0x8000 ? (crc << 1 ^ 0x1021) & 0xFFFF : crc << 1;
    }
    return crc;
}

static void send(const char *text)
{
    char message[160];
    int size = snprintf(message, sizeof message, "%s*%04X\n", text, crc16(text));
    if (size < 0 || (unsigned)size > sizeof waiting - (end - first))
        return;                           /* a slow line drops whole messages, never halves */
    for (int i = 0; i < size; i++)
        waiting[end++ % sizeof waiting] = (uint8_t)message[i];
}

static int obey(const char *word, long value)
{
    if (!strcmp(word, "start"))
        return drive_start(value);
    if (!strcmp(word, "speed"))
        return drive_set_speed(value);
    if (!strcmp(word, "stop"))
        return drive_stop();
    if (!strcmp(word, "clear"))
        return drive_clear();
    if (!strcmp(word, "sense"))           /* there is nothing but Hall sensors */
        return value == 0 ? OBEYED : RANGE;
    if (!strcmp(word, "stream")) {
        if (value < 0 || value > 1000)
            return RANGE;
        stream_every = value ? (unsigned)(1.0f / ((float)value * drive.period) + 0.5f) : 0;
        return OBEYED;
    }
    return UNKNOWN;
}

static void take_line(void)
{
    char answer[64], *mark = strchr(line, '*'), *comma;
    int refusal;
    if (mark) {
        *mark = 0;
        if (strtoul(mark + 1, NULL, 16) != crc16(line))
            return;
    }
    drive.heard = drive.time;
    if (!strcmp(line, "id")) {
        send("id,DOSING-DRIVE,1.0.0-FOC,F0C00001");
        return;
    }
    comma = strchr(line, ',');
    if (comma)
        *comma = 0;
    refusal = obey(line, comma ? strtol(comma + 1, NULL, 10) : 0);
    if (refusal)
        snprintf(answer, sizeof answer, "refused,%.20s,%d", line, refusal);
    else
        snprintf(answer, sizeof answer, "done,%.20s", line);
    send(answer);
}

void port_receive(const uint8_t *bytes, int count)
{
    for (int i = 0; i < count; i++) {
        if (bytes[i] == '\n') {
            line[length < sizeof line ? length : 0] = 0;
            if (length)
                take_line();
            length = 0;
        } else if (bytes[i] != '\r' && length < sizeof line - 1) {
            line[length++] = (char)bytes[i];
        }
    }
}

int port_transmit(uint8_t *bytes, int capacity)
{
    int count = 0;
    while (count < capacity && first != end)
        bytes[count++] = waiting[first++ % sizeof waiting];
    return count;
}

void link_tick(void)
{
    char text[128];
    if (!stream_every || ++stream_phase < stream_every)
        return;
    stream_phase = 0;
    snprintf(text, sizeof text, "t,%u,%lu,%d,%u,%d,%d,%d,%d,%d,%d", sequence++ & 255u,
             (unsigned long)(uint32_t)(uint64_t)(drive.time * 1e6), (int)drive.state, drive.faults,
             (int)drive.speed, (int)drive.target, (int)(1000 * drive.i_seen),
             (int)(1000 * drive.peak), (int)(1000 * drive.v_bus), (int)(10 * drive.temperature));
    drive.peak = 0;
    send(text);
}
