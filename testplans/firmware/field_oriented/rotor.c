/* Where the rotor is: three Hall sensors give six edges a turn; between them the angle is carried
 * on with the speed of the last edges, but never out of the sector that the sensors show. */
#include <math.h>

#include "drive.h"

#define SECTOR (PI / 3)
#define EDGES 6            /* speed is taken over so many sectors ...    */
#define ENOUGH 0.006f      /* s, or as few as fill this time             */
#define STANDSTILL 0.1f    /* s without an edge                          */

/* number of the sector by Hall code (A in bit 0); sector k has its middle at k * 60 degrees */
static const int SECTOR_OF[8] = {-1, 5, 1, 0, 3, 4, 2, -1};

static int sector, way;              /* way: +1 or -1 at the last edge   */
static float lasted[EDGES];          /* s, of the last sectors           */
static unsigned count;               /* of them that are one way         */

void rotor_reset(void)
{
    sector = -1;
    count = 0;
}

static float wrapped(float angle)
{
    while (angle > PI)
        angle -= 2 * PI;
    while (angle < -PI)
        angle += 2 * PI;
    return angle;
}

static float measured_speed(void)
{
    float time = 0;
    unsigned n = 0;
    while (n < count && n < EDGES && time < ENOUGH)
        time += lasted[n++];
    return n ? (float)way * (float)n * 10.0f / POLE_PAIRS / time : 0;   /* 60 s/min in 6 sectors */
}

static void edge(int to)
{
    int step = (to - sector + 6) % 6;
    if (step == 1 || step == 5) {
        int now = step == 1 ? 1 : -1;
        for (unsigned n = EDGES - 1; n > 0; n--)
            lasted[n] = lasted[n - 1];
        lasted[0] = drive.since_edge;
        /* the first sector after standstill or a turn back was begun somewhere in the middle */
        count = now == way && drive.since_edge < STANDSTILL ? count + 1 : 0;
        way = now;
        drive.angle = wrapped((float)to * SECTOR - (float)way * SECTOR / 2);
    } else {                         /* a jump: begin again              */
        count = 0;
        drive.angle = wrapped((float)to * SECTOR);
    }
    sector = to;
    drive.since_edge = 0;
}

void rotor_track(unsigned hall)
{
    int seen = SECTOR_OF[hall & 7];
    float middle, off;
    drive.since_edge += drive.period;
    drive.hall_bad = seen < 0 ? drive.hall_bad + 1 : 0;
    if (seen < 0)
        return;
    if (sector < 0) {
        sector = seen;
        drive.angle = wrapped((float)seen * SECTOR);
    }
    if (seen != sector)
        edge(seen);
    drive.speed = measured_speed();
    if (drive.since_edge > STANDSTILL)
        drive.speed = 0;
    else if (fabsf(drive.speed) * drive.since_edge * POLE_PAIRS > 10.0f)   /* slower than before */
        drive.speed = (float)way * 10.0f / POLE_PAIRS / drive.since_edge;
    drive.angle = wrapped(drive.angle + drive.speed * POLE_PAIRS * (PI / 30) * drive.period);
    middle = (float)sector * SECTOR;
    off = wrapped(drive.angle - middle);
    if (off > SECTOR / 2)
        drive.angle = wrapped(middle + SECTOR / 2);
    if (off < -SECTOR / 2)
        drive.angle = wrapped(middle - SECTOR / 2);
}
