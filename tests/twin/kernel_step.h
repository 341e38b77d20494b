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
    double x = turns - rint(turns), u = x * x;
    return x * (0.25 - u) * (25.13273038 + u * (-64.83468111 + u * (67.04389803 + u * (-38.12319678 + u * 12.23330121))));
}

static double rectified_sine(double turns) {
    double x = turns - floor(turns) - 0.5, u = x * x;
    return 0.99999995 + u * (-4.93479286 + u * (4.05841191 + u * (-1.33188016 + u * 0.2196968)));
}

static double load_torque(const C *c, double turns) {
    const double mean = 0.6366197723675814;
    double wave;
    if (c->load_pulsation == 0) return c->load_mean;
    wave = c->load_shape == 0 ? sine(c->load_pulses * turns)
                              : (rectified_sine(c->load_pulses * turns) - mean) * (1.0 / (1.0 - mean));
    return max2(0.0, c->load_mean + c->load_pulsation * wave);
}

static double leads(const C *c, double h, double *bend) {
    double x = h * c->lead_rate, inverse = 1.0 / (360.0 + x * (240.0 + x * (72.0 + x * (12.0 + x))));
    *bend = x * (60.0 + x * (25.0 + x * (5.0 + x * 0.5))) * inverse * (h * c->supply_resistance);
    return (360.0 + x * (60.0 + x * (12.0 + x))) * inverse * c->lead_conductance;
}

static int within_limits(const S *s, double supply) { return s->supply_least < supply && supply < s->supply_most; }

static double link_course(const C *c, const S *s, double h, double middle, double supply, double *bend) {
    if (within_limits(s, supply)) return s->source - c->supply_resistance * supply;
    *bend = h * h * c->inverse_capacitance * (1.0 / 6.0);
    return middle;
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

static void commit(const C *c, S *s, double h, double over, double link, double supply, double leak,
                   double square, double lost, double speed, double rate, double peak, double bus) {
    double middle = 0.5 * (s->link + link), mean = middle;
    double charge = h * supply, way = 0.5 * h * (s->speed + speed);
    if (h * c->lead_rate > 0.3 && within_limits(s, supply)) {
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
    s->square_speed += 0.5 * way * (s->speed + speed);
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

static void reach(double h, double decay, double *to_mean, double *to_end) {
    double x = h * decay;
    *to_mean = h * (0.5 - x * (1.0 / 6.0 - x * (1.0 / 24.0)));
    *to_end = h * (1.0 - x * (0.5 - x * (1.0 / 6.0)));
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
    double over, bend, sag, i, u, leak, gain, drain, supply, link_mid, link_end, r, inverse_l, k, m, d, j, rate, end, square;
    double to_mean, to_end, slope;
    if (open > link + drop) return HIGH_DIODE;
    if (open < -drop) return LOW_DIODE;
    i = s->i[x];
    u = ux - uy;
    gain = leads(c, h, &bend);
    drain = u * i + s->conductance * link;
    supply = supply_current(c, s, link, drain, gain);
    link_mid = link + half * (supply - drain) * c->inverse_capacitance;
    r = 2.0 * s->winding_r + p;
    inverse_l = 0.5 * c->inverse_inductance;
    reach(h, r * inverse_l, &to_mean, &to_end);
    over = link_course(c, s, h, link_mid, supply, &bend);
    sag = u * inverse_l * bend;
    slope = u * over + ((ox - oy) - r * i - emf * (sx - sy));
    over -= sag * slope;
    k = inverse_l * (1.0 - u * sag);
    m = i + to_mean * k * slope;
    d = to_end * k * slope;
    j = i + d;
    if (wrong_way(qx, j) || wrong_way(qy, -j)) return OPEN;
    rate = acceleration(c, s, s->flux * (sx - sy) * m, speed_mid);
    end = speed + h * rate;
    if (speed * end < 0) return OPEN;
    leak = s->conductance * over;
    drain = u * m + leak;
    supply = supply_current(c, s, link, drain, gain);
    link_end = link + h * (supply - drain) * c->inverse_capacitance;
    if (supply_turns(s, link, link_end)) return OPEN;
    square = m * m + d * d * (1.0 / 12.0);
    s->i[x] = j, s->i[y] = -j, s->i[z] = 0;
    s->q[x] = qx, s->q[y] = qy, s->q[z] = OPEN;
    s->seen_i[x] = m, s->seen_i[y] = -m, s->seen_i[z] = 0;
    s->seen_link = link_mid, s->seen_turns = turns, s->seen_emf = emf;
    commit(c, s, h, over, link_end, supply, leak, 2.0 * square, p * square - (ox - oy) * m,
           end, rate, fabs(j), u * j);
    return DONE;
}

static int coast(const C *c, S *s, double h) {
    double link = s->link, speed = s->speed, half = 0.5 * h, speed_mid = speed + half * s->acceleration;
    double emf = s->flux * speed_mid, rate, end, leak, supply, change, gain, over, bend;
    if (2.0 * fabs(emf) > link) return OPEN;
    rate = acceleration(c, s, 0.0, speed_mid);
    end = speed + h * rate;
    if (speed * end < 0) return OPEN;
    leak = s->conductance * link;
    gain = leads(c, h, &bend);
    supply = supply_current(c, s, link, leak, gain);
    over = link_course(c, s, h, link + half * (supply - leak) * c->inverse_capacitance, supply, &bend);
    leak = s->conductance * over;
    supply = supply_current(c, s, link, leak, gain);
    change = h * (supply - leak) * c->inverse_capacitance;
    if (supply_turns(s, link, link + change)) return OPEN;
    for (int n = 0; n < 3; n++) s->q[n] = OPEN, s->i[n] = 0, s->seen_i[n] = 0;
    s->seen_link = link + 0.5 * change;
    s->seen_turns = (s->angle + half * 0.5 * (speed + speed_mid)) * c->turns_per_rad;
    s->seen_emf = emf;
    commit(c, s, h, over, link + change, supply, leak, 0, 0, end, rate, 0, 0);
    return DONE;
}

static double zero_crossing(double start, double slope, double change, double h) {
    double bend = (change / h - slope) / h, t = -h * start / change;
    t -= (start + t * (slope + t * bend)) / (slope + 2.0 * bend * t);
    return min2(h, max2(0.0, t));
}

static void as_far_as(double cut, double h, double *to_mean, double *to_end) {
    double curve = (*to_end / h - 1.0) / h;
    *to_mean = cut * (0.5 + cut * curve * (1.0 / 3.0));
    *to_end = cut * (1.0 + cut * curve);
}

__attribute__((always_inline)) static inline double advance_phases(const C *c, S *s, const int q[3], const double n[3],
                                                                  double share, double inverse_l, double h) {
    double i[3], f[3], e[3], k[3], m[3], d[3], j[3], p[3], o[3], u[3], v[3], w[2];
    double link = s->link, speed = s->speed, mean_p = 0, first_bus = 0, first, leak, drain, gain, supply, rate, end;
    double speed_mid, square = 0, lost = 0, peak = 0, bus = 0, bend, lift, half, turns, emf, link_mid, over, link_end;
    double star = 0, torque, to_mean, to_end, rise, rest, bus_slope, unused;
    int zero[3] = {0, 0, 0}, at_rest = 0, shortened = 0, zeros;
    for (int x = 0; x < 3; x++) {
        i[x] = s->i[x];
        u[x] = s->rail[q[x]], o[x] = s->offset[q[x]], p[x] = s->resistance[q[x]];
        first_bus += u[x] * i[x];
        mean_p += n[x] * p[x];
    }
    first = first_bus + s->conductance * link;
    half = 0.5 * h;
    speed_mid = speed + half * s->acceleration;
    turns = (s->angle + half * 0.5 * (speed + speed_mid)) * c->turns_per_rad;
    emf = s->flux * speed_mid;
    gain = leads(c, h, &bend);
    supply = supply_current(c, s, link, first, gain);
    link_mid = link + half * (supply - first) * c->inverse_capacitance;
    over = link_course(c, s, h, link_mid, supply, &bend);
    reach(h, (s->winding_r + mean_p * share) * c->inverse_inductance, &to_mean, &to_end);
    for (int x = 0; x < 3; x++) {
        e[x] = trapezoid(turns - c->crest[x], c->steepness);
        f[x] = n[x] * (o[x] - emf * e[x] - (s->winding_r + p[x]) * i[x]);
        star += f[x];
    }
    star *= share;
    lift = (u[0] + u[1] + u[2]) * share;
    for (int x = 0; x < 2; x++) f[x] = inverse_l * n[x] * (f[x] - star), w[x] = inverse_l * n[x] * (u[x] - lift);
    rise = (u[0] - u[2]) * w[0] + (u[1] - u[2]) * w[1];
    rest = (u[0] - u[2]) * f[0] + (u[1] - u[2]) * f[1];
    over -= (rise * over + rest) * bend;
    bus_slope = rise * over + rest;
    leak = s->conductance * over;
    for (int x = 0; x < 2; x++) k[x] = w[x] * over + f[x];
    k[2] = -(k[0] + k[1]);
    for (int x = 0; x < 3; x++) d[x] = to_end * k[x], j[x] = n[x] * (i[x] + d[x]);
    zeros = wrong_way(q[0], j[0]) || wrong_way(q[1], j[1]) || wrong_way(q[2], j[2]);
    if (zeros) {
        double cuts[3], cut = h;
        for (int x = 0; x < 3; x++) {
            cuts[x] = wrong_way(q[x], i[x] + d[x]) && i[x] != 0 ? zero_crossing(i[x], k[x], d[x], h) : h;
            cut = min2(cut, cuts[x]);
        }
        for (int x = 0; x < 3; x++) zero[x] = cuts[x] < min2(h, cut + 1e-6 * h);
        cut = max2(cut, 1e-9 * h);
        if (cut < h) {
            as_far_as(cut, h, &to_mean, &to_end);
            gain = leads(c, cut, &unused);
            h = cut;
            for (int x = 0; x < 3; x++) d[x] = to_end * k[x], j[x] = n[x] * (i[x] + d[x]);
        }
    }
    for (;;) {
        double cut_speed, cut_supply, cut;
        int turned, meets;
        torque = 0;
        for (int x = 0; x < 3; x++) m[x] = i[x] + to_mean * k[x], torque += e[x] * m[x];
        rate = acceleration(c, s, s->flux * torque, speed_mid);
        end = speed + h * rate;
        drain = first_bus + to_mean * bus_slope + leak;
        supply = supply_current(c, s, link, drain, gain);
        link_end = link + h * (supply - drain) * c->inverse_capacitance;
        turned = speed * end < 0, meets = supply_turns(s, link, link_end);
        if (shortened || !(turned || meets)) break;
        cut_speed = turned ? h * speed / (speed - end) : h;
        cut_supply = meets ? supply_turn(c, s, link, drain, h) : h;
        cut = min2(cut_speed, cut_supply);
        at_rest = turned && cut_speed == cut;
        cut = max2(cut, 1e-9 * h);
        if (cut >= h) break;
        as_far_as(cut, h, &to_mean, &to_end);
        gain = leads(c, cut, &unused);
        h = cut, shortened = 1;
        for (int x = 0; x < 3; x++) zero[x] = 0, d[x] = to_end * k[x], j[x] = n[x] * (i[x] + d[x]);
    }
    if (zeros) {
        double sum = 0, living = 0;
        for (int x = 0; x < 3; x++) {
            if (zero[x] || wrong_way(q[x], j[x])) j[x] = 0;
            sum += j[x];
            living += j[x] != 0;
        }
        for (int x = 0; x < 3; x++) {
            if (living < 2) j[x] = 0;
            else if (j[x] != 0) j[x] -= sum / living;
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
    commit(c, s, h, over, link_end, supply, leak, square, lost, end, rate, peak, bus);
    return h;
}

static double step(const C *c, S *s, const int q[3], double h) {
    double n[3] = {q[0] != OPEN, q[1] != OPEN, q[2] != OPEN}, count = n[0] + n[1] + n[2];
    return advance_phases(c, s, q, n, count > 2.5 ? 1.0 / 3.0 : 0.5, count > 1.5 ? c->inverse_inductance : 0.0, h);
}

static double full_step(const C *c, S *s, const int q[3], double h) {
    const double n[3] = {1, 1, 1};
    return advance_phases(c, s, q, n, 1.0 / 3.0, c->inverse_inductance, h);
}
