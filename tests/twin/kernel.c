/* The integration scheme of the simulated drive, written again in C.
 *
 * It works on the same memory as the compiled Python, so that both can be run from the same state
 * and compared digit by digit, and their speed in one process. `records.h` is generated from the
 * record types. */
#include "kernel_step.h"

static int path(int gate, double i) {
    if (gate) return gate;
    return i > 1e-12 ? LOW_DIODE : i < -1e-12 ? HIGH_DIODE : OPEN;
}

static int open_phase(const int q[3]) {
    int a = q[0] == OPEN, b = q[1] == OPEN, d = q[2] == OPEN;
    if (a + b + d != 1) return a + b + d == 0 ? -1 : -2;
    return a ? 0 : b ? 1 : 2;
}

static int quick_step(const C *c, S *s, int z, const int q[3], double h) {
    if (z == 0) return pair(c, s, 1, 2, 0, q[1], q[2], h);
    if (z == 1) return pair(c, s, 0, 2, 1, q[0], q[2], h);
    if (z == 2) return pair(c, s, 0, 1, 2, q[0], q[1], h);
    return q[0] == OPEN && q[1] == OPEN && q[2] == OPEN ? coast(c, s, h) : OPEN;
}

static double star_point(const int q[3], const double v[3], const double e[3]) {
    double sum = 0, count = 0;
    for (int x = 0; x < 3; x++)
        if (q[x] != OPEN) sum += v[x] - e[x], count++;
    return count ? sum / count : 0;
}

static void connect(const C *c, const S *s, const int g[3], const double e[3], int q[3]) {
    double top = s->link + c->diode_drop, bottom = -c->diode_drop, high = -INFINITY, low = INFINITY;
    int open = 0;
    for (int x = 0; x < 3; x++) {
        int closed = s->closed >> (3 + x) & 1;
        q[x] = closed ? path(g[x], s->i[x]) : OPEN;
        open += q[x] == OPEN;
        if (closed) high = max2(high, e[x]), low = min2(low, e[x]);
    }
    if (open == 3) {
        if (!(high - low > top - bottom)) return;
        for (int x = 0; x < 3; x++)
            if (s->closed >> (3 + x) & 1) q[x] = e[x] == low ? LOW_DIODE : e[x] == high ? HIGH_DIODE : OPEN;
    }
    for (int n = 0; n < 2; n++) {
        double v[3], star, worst = 0;
        int which = -1;
        for (int x = 0; x < 3; x++) v[x] = s->rail[q[x]] * s->link + s->offset[q[x]];
        star = star_point(q, v, e);
        for (int x = 0; x < 3; x++) {
            double out = max2(star + e[x] - top, bottom - star - e[x]);
            if (q[x] == OPEN && (s->closed >> (3 + x) & 1) && out > worst) worst = out, which = x;
        }
        if (which < 0) return;
        q[which] = star + e[which] > top ? HIGH_DIODE : LOW_DIODE;
    }
}

static double any_step(const C *c, S *s, const int g[3], double h) {
    int q[3] = {path(g[0], s->i[0]), path(g[1], s->i[1]), path(g[2], s->i[2])};
    double e[3];
    if ((s->closed & LEADS) == LEADS) {
        int z = open_phase(q), outcome;
        if (z == -1) return full_step(c, s, q, h);
        outcome = quick_step(c, s, z, q, h);
        if (outcome == DONE) return h;
        if (z >= 0) {
            q[z] = outcome;
            return outcome == OPEN ? step(c, s, q, h) : full_step(c, s, q, h);
        }
    }
    for (int x = 0; x < 3; x++)
        e[x] = s->flux * s->speed * trapezoid(s->angle * c->turns_per_rad - c->crest[x], c->steepness);
    connect(c, s, g, e, q);
    return step(c, s, q, h);
}

static double follow(double value, double start, double end, double x) {
    double lag = (end - start) / x;
    return end - lag + (value - start + lag) * exp(-x);
}

static void amplify(const C *c, S *s, double h, const double i[3]) {
    double x = h * c->amplifier_rate, before = 0, after = 0;
    for (int n = 0; n < 3; n++) {
        before += s->rail[s->q[n]] * i[n], after += s->rail[s->q[n]] * s->i[n];
        s->amplified[n] = follow(s->amplified[n], i[n], s->i[n], x);
    }
    s->amplified[3] = follow(s->amplified[3], before, after, x);
}

static double one_step(const C *c, S *s, const int g[3], double span) {
    double h = span, i[3] = {s->i[0], s->i[1], s->i[2]};
    if (h > c->longest) h = span > 2.0 * c->longest ? c->longest : 0.5 * span;
    h = any_step(c, s, g, h);
    if (c->amplifier_rate) amplify(c, s, h, i);
    return h;
}

static void stretch(const C *c, S *s, const int g[3], double span) {
    while (span > 1e-13) span -= one_step(c, s, g, span);
}

static int over_the_instant(const C *c, S *s, const int g[3], double span, double before) {
    double i[3] = {s->i[0], s->i[1], s->i[2]}, link = s->link, aside = before - 0.5 * span;
    int q[3] = {path(g[0], i[0]), path(g[1], i[1]), path(g[2], i[2])}, z = open_phase(q);
    if (z == -1 || quick_step(c, s, z, q, span) != DONE) return 0;
    if (fabs(aside) > 1e-13) {
        for (int x = 0; x < 3; x++) s->seen_i[x] += aside / span * (s->i[x] - i[x]);
        s->seen_link += aside / span * (s->link - link);
        s->seen_turns += aside * s->speed * c->turns_per_rad;
    }
    return 1;
}

static void noise(S *s, double *first, double *second) {
    const uint64_t bytes = 0x00FF00FF00FF00FFu;
    uint64_t x = s->seed;
    const double unit = 1.0 / sqrt(4.0 * (256.0 * 256.0 - 1.0) / 12.0);
    x ^= x >> 12, x ^= x << 25, x ^= x >> 27;
    s->seed = x;
    x *= 2685821657736338717u;
    x = (x & bytes) + (x >> 8 & bytes);
    x += x >> 16;
    *first = ((double)(x & 0xFFFF) - 510.0) * unit;
    *second = ((double)(x >> 32 & 0xFFFF) - 510.0) * unit;
}

static double convert(double value, double noise, double step, double per_step, double low, double high) {
    value = min2(high, max2(low, value + noise));
    return step > 0 ? rint(value * per_step) * step : value;
}

static float volts(const C *c, double v, double unit) {
    return (float)convert(c->voltage_gain * v + c->voltage_offset, c->voltage_noise * unit, c->voltage_step,
                          c->voltage_per_step, 0, c->voltage_limit);
}

static float amperes(const C *c, double i, double unit) {
    return (float)convert(c->current_gain * i + c->current_offset, c->current_noise * unit, c->current_step,
                          c->current_per_step, -c->current_limit, c->current_limit);
}

static void look(const C *c, S *s) {
    for (int x = 0; x < 3; x++) s->seen_i[x] = s->i[x];
    s->seen_link = s->link;
    s->seen_turns = s->angle * c->turns_per_rad;
    s->seen_emf = s->flux * s->speed;
}

static void sample(const C *c, S *s, const int g[3]) {
    port_inputs *in = (port_inputs *)c->block;
    double turns = s->seen_turns, link = s->seen_link, e[3], v[3], w[3], i[3], n[8] = {0}, bus = 0, star;
    int q[3], idle = 1, hall;
    for (int x = 0; x < 3; x++) {
        q[x] = (int)s->q[x];
        idle &= q[x] == OPEN;
        e[x] = s->seen_emf * trapezoid(turns - c->crest[x], c->steepness);
        v[x] = s->rail[q[x]] * link + s->offset[q[x]] - s->resistance[q[x]] * s->seen_i[x];
        w[x] = v[x] - s->winding_r * s->seen_i[x];
        bus += s->rail[q[x]] * s->seen_i[x];
    }
    star = idle ? max2(0, -c->diode_drop - min2(e[0], min2(e[1], e[2]))) : star_point(q, w, e);
    for (int x = 0; x < 3; x++)
        if (q[x] == OPEN)
            v[x] = s->closed >> (3 + x) & 1 ? min2(link + c->diode_drop, max2(-c->diode_drop, star + e[x]))
                                            : g[x] == HIGH ? link : 0;
    if (c->voltage_noise > 0) noise(s, &n[0], &n[1]), noise(s, &n[2], &n[3]);
    if (c->current_noise > 0) noise(s, &n[4], &n[5]);
    in->v_bus = volts(c, link, n[0]);
    for (int x = 0; x < 3; x++) in->v_phase[x] = volts(c, v[x], n[1 + x]);
    for (int x = 0; x < 3; x++) i[x] = c->amplifier_rate ? s->amplified[x] : s->seen_i[x];
    in->i_bus = amperes(c, c->amplifier_rate ? s->amplified[3] : bus, n[4]);
    if (c->phase_shunts) {
        if (c->current_noise > 0) noise(s, &n[6], &n[7]);
        for (int x = 0; x < 3; x++) in->i_phase[x] = amperes(c, i[x], n[5 + x]);
    }
    in->t_stage = (float)s->junction_t;
    in->pot = (float)s->pot;
    hall = half_turn(turns - c->hall_a) | half_turn(turns - c->hall_b) << 1 | half_turn(turns - c->hall_c) << 2;
    in->hall = (uint8_t)((hall ^ c->hall_inverted) | (~s->closed & 7));
    in->buttons = (uint8_t)(s->buttons | (s->bus_peak > c->comparator ? 8 : 0));
    s->bus_peak = 0;
}

static void warm(const C *c, S *s, double t, double copper, double losses, double iron) {
    double a = c->winding_conductance * (s->winding_t - s->housing_t);
    double b = c->housing_conductance * (s->housing_t - c->ambient);
    double d = c->junction_conductance * (s->junction_t - s->sink_t);
    double f = c->sink_conductance * (s->sink_t - c->ambient);
    s->winding_t += t * (copper - a) / c->winding_capacity;
    s->housing_t += t * (a + iron - b) / c->housing_capacity;
    s->junction_t += t * (losses - d) / c->junction_capacity;
    s->sink_t += t * (d - f) / c->sink_capacity;
    s->winding_r = c->resistance * (234.5 + s->winding_t) / (234.5 + c->reference);
    s->flux = c->flux * (1.0 + c->magnet_coefficient * (s->housing_t - c->reference));
    s->on_r = c->on_resistance * (1.0 + c->switch_coefficient * (s->junction_t - c->reference));
    s->resistance[LOW] = s->resistance[HIGH] = s->on_r;
}

static void keep_log(const C *c, S *s, double end) {
    int64_t at = s->logged % SHAFT_LOG;
    double elapsed = end - s->log_start, copper, losses, iron;
    if (end < s->next_log - 1e-9) return;
    s->log_time[at] = s->next_log;
    s->log_angle[at] = s->angle - (end - s->next_log) * s->speed;
    s->log_speed[at] = s->speed;
    s->logged++;
    s->next_log = 1e-3 * (double)(s->logged + 1);
    s->mean_current = s->charge / elapsed;
    s->mean_voltage = s->link_area / elapsed + c->supply_resistance * s->mean_current;
    iron = (s->e_viscous + s->e_coulomb - s->booked_iron) / elapsed;
    copper = (s->e_copper - s->booked_copper) / elapsed;
    losses = (s->e_switch - s->booked_switch) / elapsed;
    s->booked_iron = s->e_viscous + s->e_coulomb;
    s->booked_copper = s->e_copper, s->booked_switch = s->e_switch;
    s->charge = s->link_area = 0;
    s->log_start = end;
    warm(c, s, elapsed, copper, losses, iron);
}

static void edges(int drive, double duty, double period, double dead, double t[4], int *rest) {
    double rise, fall;
    *rest = drive == LEG_SYNC ? LOW : 0;
    t[0] = t[1] = t[2] = t[3] = INFINITY;
    if (drive == LEG_FLOAT || duty <= 0) return;
    t[0] = t[1] = -1;
    if (duty >= 1) return;
    rise = 0.5 * period * (1.0 - duty), fall = period - rise;
    if (drive != LEG_SYNC) dead = 0;
    t[0] = rise, t[1] = min2(rise + dead, fall), t[2] = fall, t[3] = min2(fall + dead, period);
}

static int gate(double now, const double t[4], int rest, double *end) {
    int at = now < t[0] ? 0 : now < t[1] ? 1 : now < t[2] ? 2 : now < t[3] ? 3 : 4;
    if (at < 4) *end = min2(*end, t[at]);
    return at == 2 ? HIGH : at == 1 || at == 3 ? 0 : rest;
}

int64_t advance(const C *c, S *s, int64_t periods) {
    port_inputs *in = (port_inputs *)c->block;
    port_outputs *out = (port_outputs *)(c->block + OUTPUTS_AT);
    uint8_t *rx = (uint8_t *)(c->block + RX_AT), *tx = (uint8_t *)(c->block + TX_AT);
    int64_t before = s->steps;
    double period = c->period, instant = c->sampling_instant;
    while (periods-- > 0) {
        double time = (double)s->periods * period, turns, now = -s->lag, t[3][4], room = c->slew * period, x;
        int rest[3], sampled = 0, count = 0;
        double period_end = (double)(s->periods + 1) * period;
        int to_the_end = period_end >= s->next_log - 1e-9;
        port_outputs used = *out;
        if (s->supply_on) {
            s->source += min2(room, max2(-room, s->supply_set - s->source));
            if (s->link + c->supply_resistance * s->supply_current > s->over_voltage)
                s->tripped = 1, s->supply_on = 0;
        }
        s->supply_most = s->supply_on ? s->supply_limit : 0;
        s->supply_least = c->two_way ? -s->supply_most : 0;
        if (s->link > c->chopper_on) s->chopping = 1;
        else if (s->link < c->chopper_off) s->chopping = 0;
        s->conductance = 1.0 / c->bleeder + (s->chopping ? 1.0 / c->chopper : 0);
        while (s->rx_tail < s->rx_head && s->rx_next <= time && count < 256) {
            rx[count++] = s->rx[s->rx_tail++ % LINE_BUFFER];
            s->rx_next += c->byte_time;
        }
        if (count) ((void (*)(const uint8_t *, int))c->port_receive)(rx, count);
        in->time = time - s->started;
        ((void (*)(const port_inputs *, port_outputs *))c->port_period)(in, out);
        if (s->tx_free <= time) {
            count = ((int (*)(uint8_t *, int))c->port_transmit)(tx, FIFO);
            for (int n = 0; n < count; n++) s->tx[s->tx_head++ % LINE_BUFFER] = tx[n];
            if (count > 0) s->tx_free = max2(s->tx_free, time) + count * c->byte_time;
        }
        if (!c->output_delay) used = *out;
        turns = (s->angle + 0.5 * period * s->speed) / 6.283185307179586;
        s->load = load_torque(c, turns);
        s->cogging = c->cogging != 0 ? c->cogging * sine(c->cogging_cycles * turns) : 0;
        s->braking = s->brake;
        s->driving = c->load_pull - s->cogging;
        s->opposing = c->coulomb + s->load + s->brake;
        s->holding = c->breakaway + s->load + s->brake;
        for (int n = 0; n < 3; n++) {
            if (out->drive[n] > 2 || (out->drive[n] && !(out->duty[n] >= 0 && out->duty[n] <= 1))) s->fault = 1;
        }
        to_the_end |= c->amplifier_rate != 0 || s->speed == 0 || (s->supply_on && s->source != s->supply_set);
        for (int n = 0; n < 3; n++)
            edges(s->fault ? LEG_FLOAT : used.drive[n], used.duty[n], period, c->dead_time, t[n], &rest[n]);
        while (now < period) {
            double end = period;
            int g[3];
            for (int n = 0; n < 3; n++) g[n] = gate(now, t[n], rest[n], &end);
            if (now < 0 && (g[0] != s->gate_a || g[1] != s->gate_b || g[2] != s->gate_c)) {
                int old[3] = {(int)s->gate_a, (int)s->gate_b, (int)s->gate_c};
                stretch(c, s, old, s->lag);
                now = 0;
                continue;
            }
            if (sampled && end == period && !to_the_end) {
                s->gate_a = g[0], s->gate_b = g[1], s->gate_c = g[2];
                break;
            }
            if (!sampled && end >= instant) {
                double span = end - now, before = instant - now;
                if (span <= c->longest && !c->amplifier_rate && (s->closed & LEADS) == LEADS &&
                    fabs(before - 0.5 * span) <= 0.2 * span && over_the_instant(c, s, g, span, before)) {
                    sampled = 1;
                    now = end;
                } else {
                    double passed = one_step(c, s, g, before);
                    sampled = before - passed < 1e-13;
                    now = sampled ? instant : now + passed;
                    if (sampled) look(c, s);
                }
                if (sampled) sample(c, s, g);
            } else {
                stretch(c, s, g, end - now);
                now = end;
            }
        }
        s->lag = period - now;
        x = c->supply_resistance * s->square_charge;
        s->e_lead += x;
        s->e_supply += x;
        s->e_copper += s->winding_r * s->square;
        s->e_viscous += c->viscous * s->square_speed;
        s->e_coulomb += c->coulomb * s->travel;
        s->e_load += s->load * s->travel;
        s->e_brake += s->braking * s->travel;
        s->e_cogging += s->cogging * s->way;
        s->e_pull -= c->load_pull * s->way;
        s->square = s->square_speed = s->square_charge = s->travel = s->way = 0;
        s->periods++;
        keep_log(c, s, period_end);
    }
    return s->steps - before;
}
