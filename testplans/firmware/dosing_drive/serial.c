/* The serial link: lines of ASCII, fields split by commas, "*" and a checksum, newline.
 *
 * Host:  id | start,<rpm> | speed,<rpm> | stop | clear | sense,<0|1> | stream,<hz>
 * Board: id,<model>,<version>,<build> | done,<command> | refused,<command>,<code> | telemetry
 *
 * The checksum is CRC-16/IBM-3740 in four upper-case hexadecimal digits; a line of the host may
 * come without, with a wrong one it is ignored. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "drive.h"

static char line[65];               /* from the host, so far */
static unsigned line_size;
static uint8_t waiting[1024];       /* for the host; a ring */
static uint32_t first, end;

void serial_reset(void)
{
    line_size = 0;
    first = end = 0;
}

static uint16_t crc16(const char *data, size_t size)
{
    uint16_t crc = 0xFFFF;
    for (size_t i = 0; i < size; i++) {
        crc ^= (uint16_t)((uint8_t)data[i] << 8);
        for (int bit = 0; bit < 8; bit++)
            crc = (uint16_t)(crc & 0x8000 ? (crc << 1) ^ 0x1021 : crc << 1);
    }
    return crc;
}

/* Queue a message whole, or drop it: control never waits for the line. */
static void send(const char *text, uint32_t reserve)
{
    char message[200];
    int size = snprintf(message, sizeof message, "%s*%04X\n", text, crc16(text, strlen(text)));
    if (size < 0 || (uint32_t)size + reserve > sizeof waiting - (end - first))
        return;
    for (int i = 0; i < size; i++)
        waiting[end++ % sizeof waiting] = (uint8_t)message[i];
}

/* ---- commands ------------------------------------------------------------------------------- */

static bool in_range(long speed)
{
    return speed == 0 || (labs(speed) >= MIN_SPEED && labs(speed) <= MAX_SPEED);
}

static int start(long speed)
{
    if (drive.state == FAULT)
        return LATCHED;
    if (!in_range(speed))
        return RANGE;
    drive.target = (float)speed;
    drive.wanted = speed != 0;
    if (drive.wanted && drive.state == IDLE)
        begin();
    return DONE;
}

/* A new set point; 0 is a stop, and only a start ends a stop. */
static int set_speed(long speed)
{
    if (!in_range(speed))
        return RANGE;
    drive.target = (float)speed;
    if (speed == 0)
        drive.wanted = false;
    return DONE;
}

static int stop(long unused)
{
    (void)unused;
    drive.target = 0;
    drive.wanted = false;
    return DONE;
}

static int clear(long unused)
{
    (void)unused;
    if (drive.state != FAULT)
        return DONE;
    if (drive.coasting > TURNING_SPEED)
        return BUSY;
    if (cause_persists())
        return LATCHED;
    drive.faults = 0;
    drive.heat = 0;
    drive.hall_bad = 0;
    enter(IDLE);
    return DONE;
}

static int select_sensing(long sensing)
{
    if (drive.state != IDLE)
        return BUSY;
    if (sensing != BY_HALL && sensing != BY_BACK_EMF)
        return RANGE;
    drive.sensing = (int)sensing;
    drive.sector = -1;
    drive.hall_bad = 0;
    forget_rotor();
    return DONE;
}

static int set_stream(long rate)
{
    if (rate < 0 || rate > 1000)
        return RANGE;
    drive.stream_ticks = rate ? (uint32_t)(1.0f / (drive.period * (float)rate) + 0.5f) : 0;
    drive.stream_phase = 0;
    return DONE;
}

static const struct {
    const char *word;
    bool takes_number;
    int (*act)(long);
} COMMANDS[] = {
    { "start", true, start },         { "speed", true, set_speed },
    { "stop", false, stop },          { "clear", false, clear },
    { "sense", true, select_sensing }, { "stream", true, set_stream },
};

static bool number(const char *text, long *value)
{
    char *rest;
    if (*text == '\0' || strchr(" \t", *text))
        return false;
    *value = strtol(text, &rest, 10);
    return *rest == '\0';
}

static void obey(char *text)
{
    char answer[120], *argument = strchr(text, ',');
    int code = UNKNOWN;
    if (argument)
        *argument++ = '\0';
    if (strcmp(text, "id") == 0 && !argument) {
        drive.heard_at = drive.tick;
        send("id," MODEL "," VERSION "," BUILD, 0);
        return;
    }
    if (strcmp(text, "id") == 0)
        code = RANGE;
    for (size_t i = 0; i < sizeof COMMANDS / sizeof COMMANDS[0]; i++) {
        long value = 0;
        if (strcmp(text, COMMANDS[i].word) != 0)
            continue;
        drive.heard_at = drive.tick;
        bool whole = COMMANDS[i].takes_number ? argument && number(argument, &value) : !argument;
        code = whole ? COMMANDS[i].act(value) : RANGE;
    }
    if (code == DONE)
        snprintf(answer, sizeof answer, "done,%s", text);
    else
        snprintf(answer, sizeof answer, "refused,%s,%d", text, code);
    send(answer, 0);
}

/* A whole line: check and cut the checksum off, if there is one. */
static void received(void)
{
    if (line_size > 0 && line[line_size - 1] == '\r')
        line_size--;
    line[line_size] = '\0';
    if (line_size >= 5 && line[line_size - 5] == '*') {
        char *rest;
        unsigned long sent = strtoul(line + line_size - 4, &rest, 16);
        line[line_size - 5] = '\0';
        if (*rest || sent != crc16(line, line_size - 5))
            return;
    }
    if (line[0])
        obey(line);
}

void port_receive(const uint8_t *bytes, int count)
{
    for (int i = 0; i < count; i++) {
        if (bytes[i] == '\n') {
            if (line_size < sizeof line)        /* else it was too long: ignore it whole */
                received();
            line_size = 0;
        } else {
            if (line_size < sizeof line - 1)
                line[line_size] = (char)bytes[i];
            if (line_size < sizeof line)
                line_size++;
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

/* ---- telemetry ------------------------------------------------------------------------------ */

static long whole(float value) { return (long)(value + (value < 0 ? -0.5f : 0.5f)); }

void stream(void)
{
    char text[160];
    if (drive.stream_ticks == 0 || ++drive.stream_phase < drive.stream_ticks)
        return;
    drive.stream_phase = 0;
    snprintf(text, sizeof text, "t,%u,%lu,%d,%d,%ld,%ld,%ld,%ld,%ld,%ld", drive.sequence,
             (unsigned long)drive.time_us, drive.state, drive.faults, whole(drive.speed_seen),
             whole(drive.target), whole(1e3f * drive.current_seen), whole(1e3f * drive.peak),
             whole(1e3f * drive.bus), whole(10.0f * drive.temperature));
    send(text, 128);                            /* leave room for answers */
    drive.sequence++;
    drive.peak = 0;
}
