/* Steps of the integration scheme of the simulated drive, in C; see kernel.c. */
#include <math.h>
#include <stdint.h>
#include "firmware_port.h"
#include "records.h"

enum { OPEN, LOW, HIGH, LOW_DIODE, HIGH_DIODE };
enum { DONE = -1, LEADS = 070, FIFO = 16, RX_AT = 128, TX_AT = 384, OUTPUTS_AT = 64 };
typedef constants C;
typedef state S;

static double min2(double a, double b) { return a < b ? a : b; }
static double max2(double a, double b) { return a > b ? a : b; }

static double trapezoid(double turns, double steepness) {
    double away = fabs(turns - rint(turns));
    return min2(1.0, max2(-1.0, steepness - 4.0 * steepness * away));
}

static int half_turn(double turns) { return turns - floor(turns) < 0.5; }

static double sine(double turns) {
    const double t = 6.283185307179586;
    double x = turns - floor(turns + 0.5), a = 0.25 - fabs(fabs(x) - 0.25), b = a * a;
    double y = a * (t + b * (-t * t * t / 6 + b * (t * t * t * t * t / 120
             + b * (-t * t * t * t * t * t * t / 5040 + b * (t * t * t * t * t * t * t * t * t / 362880)))));
    return x >= 0 ? y : -y;
}

static double load_torque(const C *c, double turns) {
    const double mean = 0.6366197723675814;
    double wave;
    if (c->load_pulsation == 0) return c->load_mean;
    wave = c->load_shape == 0 ? sine(c->load_pulses * turns)
                              : (fabs(sine(0.5 * c->load_pulses * turns)) - mean) / (1 - mean);
    return max2(0.0, c->load_mean + c->load_pulsation * wave);
}

static double supply_gain(const C *c, double h) {
    double x = h * c->lead_rate, quarter = 0.25 * x, once, twice, mean;
    if (x < 0.3) {
        mean = 1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0)));
        return mean * c->lead_conductance / (1.0 + x * mean);
    }
    mean = 1.0 + quarter * (0.5 + quarter * (1.0 / 6.0 + quarter * (1.0 / 24.0)));
    once = quarter * mean;
    twice = once * (2.0 + once);
    mean *= 0.25 * (2.0 + once) * (2.0 + twice);
    return mean * c->lead_conductance / (1.0 + x * mean);
}

static double link_mean(const C *c, const S *s, double middle, double supply) {
    return s->supply_least < supply && supply < s->supply_most
               ? s->source - c->supply_resistance * supply
               : middle;
}

static int supply_turns(const S *s, double before, double after) {
    if (before <= s->source && after <= s->source) return 0;
    return s->supply_least == 0 && s->supply_most > 0 && (s->source - before) * (s->source - after) < -1e-6;
}

static double supply_turn(const C *c, const S *s, double link, double drain, double h) {
    double gap = s->source - link, fall = c->supply_resistance * drain;
    if (gap > 0) return fall < 0 ? min2(h, log(1.0 - gap / fall) / c->lead_rate) : h;
    return drain > 0 ? min2(h, -gap / (drain * c->inverse_capacitance)) : h;
}

static double supply_current(const C *c, const S *s, double link, double drain, double gain) {
    double mean = (s->source - c->supply_resistance * drain - link) * gain + drain;
    return min2(s->supply_most, max2(s->supply_least, mean));
}

static int wrong_way(int q, double i) {
    return (q == LOW_DIODE && i < 0) || (q == HIGH_DIODE && i > 0);
}

static double acceleration(const C *c, const S *s, double torque, double speed_mid) {
    double push = torque + s->driving;
    if (s->speed == 0) {
        if (fabs(push) <= s->holding) return 0;
        push -= copysign(s->opposing, push);
    } else {
        push -= c->viscous * speed_mid + copysign(s->opposing, s->speed);
    }
    return c->inverse_inertia * push;
}

static void commit(const C *c, S *s, double h, double over, double link, double supply, double leak, double square,
                   double lost, double speed_mid, double speed, double rate, double peak, double bus) {
    double middle = 0.5 * (s->link + link), mean = middle;
    double charge = h * supply, way = 0.5 * h * (s->speed + speed);
    if (h * c->lead_rate > 0.3) {
        mean = over;
        s->e_lead += c->capacitance * (link - s->link) * (mean - middle);
    }
    s->charge += charge;
    s->link_area += h * mean;
    s->square_charge += charge * supply;
    s->e_supply += charge * mean;
    s->e_bleeder += h * leak * mean;
    s->square += h * square;
    s->e_switch += h * lost;
    s->way += way;
    s->travel += fabs(way);
    s->square_speed += h * speed_mid * speed_mid;
    s->angle += way;
    s->link = link;
    s->speed = speed;
    s->supply_current = supply;
    s->acceleration = speed != 0 ? rate : 0;
    s->link_peak = max2(s->link_peak, link);
    s->current_peak = max2(s->current_peak, peak);
    s->bus_peak = max2(s->bus_peak, bus);
    s->steps++;
}

static double link_bend(const C *c, double h, double gain) {
    double x = h * c->lead_rate;
    if (x < 0.3) return h * h * c->inverse_capacitance * (gain * c->supply_resistance) * (1.0 / 6.0);
    return h * c->supply_resistance * (0.5 - (1.0 - gain * c->supply_resistance) / x);
}

static int pair(const C *c, S *s, int x, int y, int z, int qx, int qy, double h) {
    double link = s->link, speed = s->speed, half = 0.5 * h;
    double speed_mid = speed + half * s->acceleration;
    double turns = (s->angle + half * 0.5 * (speed + speed_mid)) * c->turns_per_rad;
    double sx = trapezoid(turns - c->crest[x], c->steepness);
    double sy = trapezoid(turns - c->crest[y], c->steepness);
    double sz = trapezoid(turns - c->crest[z], c->steepness);
    double emf = s->flux * speed_mid, drop = c->diode_drop;
    double ux = s->rail[qx], uy = s->rail[qy], ox = s->offset[qx], oy = s->offset[qy];
    double p = s->resistance[qx] + s->resistance[qy];
    double open = 0.5 * ((ux + uy) * link + ox + oy) + emf * (sz - 0.5 * (sx + sy));
    double over, bend, i, u, leak, gain, drain, supply, link_mid, link_end, r, inverse_l, a, k, m, d, j, rate, end, square;
    if (open > link + drop) return HIGH_DIODE;
    if (open < -drop) return LOW_DIODE;
    i = s->i[x];
    u = ux - uy;
    leak = s->conductance * link;
    gain = supply_gain(c, h);
    drain = u * i + leak;
    supply = supply_current(c, s, link, drain, gain);
    link_mid = link + half * (supply - drain) * c->inverse_capacitance;
    r = 2.0 * s->winding_r + p;
    inverse_l = 0.5 * c->inverse_inductance;
    a = h * r * inverse_l;
    over = link_mean(c, s, link_mid, supply);
    bend = u * inverse_l * link_bend(c, h, gain);
    k = u * over + (ox - oy) - emf * (sx - sy) - r * i;
    over -= bend * k;
    k *= inverse_l * (1.0 - u * bend);
    m = i + h * (0.5 - a * (1.0 / 6.0 - a * (1.0 / 24.0))) * k;
    d = h * (1.0 - a * (0.5 - a * (1.0 / 6.0))) * k;
    j = i + d;
    if (wrong_way(qx, j) || wrong_way(qy, -j)) return OPEN;
    rate = acceleration(c, s, s->flux * (sx - sy) * m, speed_mid);
    end = speed + h * rate;
    if (speed * end < 0) return OPEN;
    drain = u * m + leak;
    supply = supply_current(c, s, link, drain, gain);
    link_end = link + h * (supply - drain) * c->inverse_capacitance;
    if (supply_turns(s, link, link_end)) return OPEN;
    square = m * m + d * d * (1.0 / 12.0);
    s->i[x] = j, s->i[y] = -j, s->i[z] = 0;
    s->q[x] = qx, s->q[y] = qy, s->q[z] = OPEN;
    s->seen_i[x] = m, s->seen_i[y] = -m, s->seen_i[z] = 0;
    s->seen_link = link_mid, s->seen_turns = turns, s->seen_emf = emf;
    commit(c, s, h, over, link_end, supply, leak, 2.0 * square,
           p * square - (ox - oy) * m, speed_mid, end, rate, fabs(j), u * j);
    return DONE;
}

static int coast(const C *c, S *s, double h) {
    double link = s->link, speed = s->speed, half = 0.5 * h, speed_mid = speed + half * s->acceleration;
    double emf = s->flux * speed_mid, rate, end, leak, supply, change;
    if (2.0 * fabs(emf) > link) return OPEN;
    rate = acceleration(c, s, 0.0, speed_mid);
    end = speed + h * rate;
    if (speed * end < 0) return OPEN;
    leak = s->conductance * link;
    supply = supply_current(c, s, link, leak, supply_gain(c, h));
    change = h * (supply - leak) * c->inverse_capacitance;
    if (supply_turns(s, link, link + change)) return OPEN;
    for (int n = 0; n < 3; n++) s->q[n] = OPEN, s->i[n] = 0, s->seen_i[n] = 0;
    s->seen_link = link + 0.5 * change;
    s->seen_turns = (s->angle + half * 0.5 * (speed + speed_mid)) * c->turns_per_rad;
    s->seen_emf = emf;
    commit(c, s, h, link_mean(c, s, link + 0.5 * change, supply), link + change, supply, leak, 0, 0, speed_mid, end, rate, 0, 0);
    return DONE;
}

static double zero_crossing(double start, double slope, double change, double h) {
    double bend = (change / h - slope) / h, t = -h * start / change;
    t -= (start + t * (slope + t * bend)) / (slope + 2.0 * bend * t);
    return min2(h, max2(0.0, t));
}

static double step(const C *c, S *s, const int q[3], double h) {
    double i[3], f[3], e[3], k[3], m[3], d[3], j[3], n[3], p[3], o[3], u[3], v[3];
    double link = s->link, speed = s->speed, count = 0, mean_p = 0, leak = s->conductance * link;
    double first = leak, drain, gain, supply, rate, end, speed_mid, share, inverse_l, square = 0, lost = 0;
    double peak = 0, bus = 0, sag = 0, lift = 0, half, turns, emf, link_mid, over, link_end, a, star = 0, torque = 0, to_mean, to_end;
    int zero[3] = {0, 0, 0}, at_rest = 0, meets, any = 0;
    for (int x = 0; x < 3; x++) {
        i[x] = s->i[x];
        n[x] = q[x] != OPEN;
        count += n[x];
        u[x] = s->rail[q[x]], o[x] = s->offset[q[x]], p[x] = s->resistance[q[x]];
        first += u[x] * i[x];
        mean_p += n[x] * p[x];
    }
    share = count > 2.5 ? 1.0 / 3.0 : 0.5;
    inverse_l = count > 1.5 ? c->inverse_inductance : 0.0;
    half = 0.5 * h;
    speed_mid = speed + half * s->acceleration;
    turns = (s->angle + half * 0.5 * (speed + speed_mid)) * c->turns_per_rad;
    emf = s->flux * speed_mid;
    gain = supply_gain(c, h);
    supply = supply_current(c, s, link, first, gain);
    link_mid = link + half * (supply - first) * c->inverse_capacitance;
    over = link_mean(c, s, link_mid, supply);
    a = h * (s->winding_r + mean_p * share) * c->inverse_inductance;
    to_mean = h * (0.5 - a * (1.0 / 6.0 - a * (1.0 / 24.0)));
    to_end = h * (1.0 - a * (0.5 - a * (1.0 / 6.0)));
    for (int x = 0; x < 3; x++) {
        e[x] = trapezoid(turns - c->crest[x], c->steepness);
        f[x] = n[x] * (u[x] * over + o[x] - emf * e[x] - (s->winding_r + p[x]) * i[x]);
        star += f[x];
    }
    star *= share;
    for (int x = 0; x < 3; x++) {
        k[x] = inverse_l * n[x] * (f[x] - star);
        sag += u[x] * k[x];
        lift += n[x] * u[x] * share;
    }
    sag *= link_bend(c, h, gain);
    for (int x = 0; x < 3; x++) {
        k[x] -= inverse_l * n[x] * (u[x] - lift) * sag;
        m[x] = i[x] + to_mean * k[x];
        d[x] = to_end * k[x];
        j[x] = n[x] * (i[x] + d[x]);
        torque += e[x] * m[x];
    }
    rate = acceleration(c, s, s->flux * torque, speed_mid);
    end = speed + h * rate;
    drain = leak;
    for (int x = 0; x < 3; x++) drain += u[x] * m[x];
    supply = supply_current(c, s, link, drain, gain);
    link_end = link + h * (supply - drain) * c->inverse_capacitance;
    meets = supply_turns(s, link, link_end);
    if (meets || speed * end < 0 || wrong_way(q[0], j[0]) || wrong_way(q[1], j[1]) || wrong_way(q[2], j[2])) {
        double cuts[4], cut, cut_supply = meets ? supply_turn(c, s, link, drain, h) : h;
        cuts[3] = cut = speed * end < 0 ? h * speed / (speed - end) : h;
        for (int x = 0; x < 3; x++) {
            cuts[x] = wrong_way(q[x], i[x] + d[x]) && i[x] != 0 ? zero_crossing(i[x], k[x], d[x], h) : h;
            cut = min2(cut, cuts[x]);
        }
        cut = min2(cut, cut_supply);
        for (int x = 0; x < 3; x++) zero[x] = cuts[x] == cut && cut < h;
        at_rest = speed * end < 0 && cuts[3] == cut;
        if (cut < h && cut > 1e-9 * h) {
            double bend = (to_end / h - 1.0) / h;
            to_mean = cut * (0.5 + cut * bend * (1.0 / 3.0));
            to_end = cut * (1.0 + cut * bend);
            torque = 0;
            for (int x = 0; x < 3; x++) {
                m[x] = i[x] + to_mean * k[x];
                d[x] = to_end * k[x];
                j[x] = n[x] * (i[x] + d[x]);
                torque += e[x] * m[x];
            }
            rate = acceleration(c, s, s->flux * torque, speed_mid);
            end = speed + cut * rate;
            gain = supply_gain(c, cut);
            h = cut;
            drain = leak;
            for (int x = 0; x < 3; x++) drain += u[x] * m[x];
            supply = supply_current(c, s, link, drain, gain);
            link_end = link + h * (supply - drain) * c->inverse_capacitance;
        }
    }
    for (int x = 0; x < 3; x++) {
        zero[x] |= wrong_way(q[x], j[x]);
        any |= zero[x];
    }
    if (any) {
        double rest = 0, living = 0;
        for (int x = 0; x < 3; x++) {
            if (zero[x]) j[x] = 0;
            rest += j[x];
            living += j[x] != 0;
        }
        for (int x = 0; x < 3; x++) {
            if (living < 2) j[x] = 0;
            else if (j[x] != 0) j[x] -= rest / living;
        }
    }
    if (at_rest) end = 0;
    for (int x = 0; x < 3; x++) {
        v[x] = m[x] * m[x] + d[x] * d[x] * (1.0 / 12.0);
        square += v[x];
        lost += p[x] * v[x] - o[x] * m[x];
        peak = max2(peak, fabs(j[x]));
        bus += u[x] * j[x];
        s->i[x] = j[x];
        s->q[x] = q[x];
    }
    commit(c, s, h, over - sag, link_end, supply, leak, square, lost,
           speed_mid, end, rate, peak, bus);
    return h;
}
