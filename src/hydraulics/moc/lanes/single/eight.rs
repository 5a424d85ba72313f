//! The pump's iteration in AVX-512, for lanes whose drives are lasting straight lines: eight lanes at a time stay in
//! registers.

use super::super::place::{LaneShaft, Lanes};
use super::super::pumps::{ATAN, LAST_ROW, Pumps, TAN_PI_8, WHOLE_BITS};
use super::super::vector::{V, all, keep, part};
use super::{EDGE_SHARE, Free, ITERATIONS_MAX, Lines, STEP_SHARE, States};
use crate::hydraulics::pump::four_quadrant::STEP_RAD;
use std::arch::x86_64::*;
use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI, TAU};

/// As `pumps::angle_rad`.
#[inline]
#[target_feature(enable = "avx512f,avx512dq")]
fn angle_rad(alpha: __m512d, v: __m512d) -> __m512d {
    let (x, y) = (_mm512_abs_pd(alpha), _mm512_abs_pd(v));
    let (small, large) = (_mm512_min_pd(x, y), _mm512_max_pd(x, y));
    let turned = _mm512_cmp_pd_mask::<_CMP_GT_OQ>(small, _mm512_mul_pd(all(TAN_PI_8), large));
    let dividend = _mm512_mask_sub_pd(small, turned, small, large);
    let divisor = _mm512_mask_add_pd(large, turned, small, large);
    let t = _mm512_div_pd(dividend, _mm512_max_pd(divisor, all(f64::MIN_POSITIVE)));
    let z = _mm512_mul_pd(t, t);
    // Even and odd terms by themselves: eighth as long a chain.
    let z_2 = _mm512_mul_pd(z, z);
    let (mut even, mut odd) = (all(ATAN[12]), all(ATAN[11]));
    for k in (0..=10).rev().step_by(2) {
        even = _mm512_fmadd_pd(even, z_2, all(ATAN[k]));
        if k > 0 {
            odd = _mm512_fmadd_pd(odd, z_2, all(ATAN[k - 1]));
        }
    }
    let series = _mm512_fmadd_pd(odd, z, even);
    let angle = _mm512_fmadd_pd(t, series, _mm512_maskz_mov_pd(turned, all(FRAC_PI_4)));
    let steep = _mm512_cmp_pd_mask::<_CMP_LT_OQ>(x, y);
    let angle = _mm512_mask_sub_pd(angle, steep, all(FRAC_PI_2), angle);
    let backwards = _mm512_cmp_pd_mask::<_CMP_LT_OQ>(alpha, _mm512_setzero_pd());
    let angle = _mm512_mask_sub_pd(angle, backwards, all(PI), angle);
    _mm512_add_pd(all(PI), _mm512_or_pd(angle, _mm512_and_pd(v, all(-0.0))))
}

/// Head and torque of eight lanes with their derivatives, and the room up to the edge of the table's interval.
struct Point {
    head: __m512d,
    head_by_flow: __m512d,
    head_by_speed: __m512d,
    torque: __m512d,
    torque_by_flow: __m512d,
    torque_by_speed: __m512d,
    alpha: __m512d,
    v: __m512d,
    room: __m512d,
}

/// Coefficients of `atan(t) / t` in `t^2`: its series, which leaves 2e-15 of it within a row of the table.
const WITHIN_ROW: [f64; 6] = [1.0, -1.0 / 3.0, 0.2, -1.0 / 7.0, 1.0 / 9.0, -1.0 / 11.0];

/// Share of the table's interval at which eight lanes stand: the angle from the beginning of the row where each last was,
/// or looked for anew where one has left it.
#[inline]
#[target_feature(enable = "avx512f,avx512dq")]
fn share<const W: usize>(pumps: &mut Pumps<W>, from: usize, alpha: __m512d, v: __m512d) -> __m512d {
    let (cosine, sine) = (part(&pumps.begins[0], from), part(&pumps.begins[1], from));
    let along = _mm512_fmadd_pd(alpha, cosine, _mm512_mul_pd(v, sine));
    let across = _mm512_fmsub_pd(v, cosine, _mm512_mul_pd(alpha, sine));
    let t = _mm512_div_pd(across, along);
    let z = _mm512_mul_pd(t, t);
    let z_2 = _mm512_mul_pd(z, z);
    let [c_0, c_1, c_2, c_3, c_4, c_5] = WITHIN_ROW;
    let low = _mm512_fmadd_pd(all(c_1), z, all(c_0));
    let middle = _mm512_fmadd_pd(all(c_3), z, all(c_2));
    let high = _mm512_fmadd_pd(all(c_5), z, all(c_4));
    let series = _mm512_fmadd_pd(_mm512_fmadd_pd(high, z_2, middle), z_2, low);
    let rest = _mm512_mul_pd(_mm512_mul_pd(t, all(1.0 / STEP_RAD)), series);
    // The series is good within a row only: a share of it beyond says no more than that.
    let ahead = _mm512_cmp_pd_mask::<_CMP_GT_OQ>(along, _mm512_setzero_pd());
    let inside = _mm512_mask_cmp_pd_mask::<_CMP_GE_OQ>(ahead, rest, _mm512_setzero_pd());
    let inside = _mm512_mask_cmp_pd_mask::<_CMP_LE_OQ>(inside, t, all(ROW_TANGENT));
    if inside == !0 { rest } else { share_anew(pumps, from, alpha, v) }
}

/// Tangent of the table's interval, rounded down.
const ROW_TANGENT: f64 = STEP_RAD * (1.0 + STEP_RAD * STEP_RAD * (1.0 / 3.0 + STEP_RAD * STEP_RAD * (2.0 / 15.0)));

#[cold]
#[inline(never)]
#[target_feature(enable = "avx512f,avx512dq")]
fn share_anew<const W: usize>(pumps: &mut Pumps<W>, from: usize, alpha: __m512d, v: __m512d) -> __m512d {
    let angle = _mm512_min_pd(_mm512_max_pd(angle_rad(alpha, v), _mm512_setzero_pd()), all(TAU));
    let place = _mm512_mul_pd(angle, all(1.0 / STEP_RAD));
    let low = _mm512_roundscale_pd::<{ _MM_FROUND_TO_NEG_INF | _MM_FROUND_NO_EXC }>(place);
    let low = _mm512_min_pd(low, all(LAST_ROW));
    let row = _mm512_castpd_si512(_mm512_add_pd(low, all(WHOLE_BITS)));
    let mut rows = [0_i64; V];
    // SAFETY: eight numbers.
    unsafe { _mm512_storeu_si512(rows.as_mut_ptr().cast(), row) };
    pumps.gather(from, &rows);
    _mm512_sub_pd(place, low)
}

#[inline]
#[target_feature(enable = "avx512f,avx512dq")]
fn point<const W: usize>(pumps: &mut Pumps<W>, from: usize, flow: __m512d, speed: __m512d) -> Point {
    let (by_flow, by_speed) = (part(&pumps.per_flow, from), part(&pumps.per_speed, from));
    let (alpha, v) = (_mm512_mul_pd(speed, by_speed), _mm512_mul_pd(flow, by_flow));
    let rest = share(pumps, from, alpha, v);
    let (h_0, h_1) = (part(&pumps.values[0], from), part(&pumps.values[1], from));
    let (t_0, t_1) = (part(&pumps.values[2], from), part(&pumps.values[3], from));
    let square = _mm512_fmadd_pd(v, v, _mm512_mul_pd(alpha, alpha));
    let (head, torque) = (_mm512_fmadd_pd(h_1, rest, h_0), _mm512_fmadd_pd(t_1, rest, t_0));
    let (h_slope, t_slope) = (_mm512_mul_pd(h_1, all(1.0 / STEP_RAD)), _mm512_mul_pd(t_1, all(1.0 / STEP_RAD)));
    let (v_2, alpha_2) = (_mm512_add_pd(v, v), _mm512_add_pd(alpha, alpha));
    let [m_by_flow, m_by_speed, n_m_by_flow, n_m_by_speed] = &pumps.rated_by;
    let nearer = _mm512_min_pd(rest, _mm512_sub_pd(all(1.0), rest));
    let step = _mm512_mul_pd(square, all(STEP_RAD));
    Point {
        head: _mm512_mul_pd(part(&pumps.head_m, from), _mm512_mul_pd(square, head)),
        head_by_flow: _mm512_mul_pd(part(m_by_flow, from), _mm512_fmadd_pd(v_2, head, _mm512_mul_pd(alpha, h_slope))),
        head_by_speed: _mm512_mul_pd(part(m_by_speed, from), _mm512_fmsub_pd(alpha_2, head, _mm512_mul_pd(v, h_slope))),
        torque: _mm512_mul_pd(part(&pumps.torque_n_m, from), _mm512_mul_pd(square, torque)),
        torque_by_flow: _mm512_mul_pd(
            part(n_m_by_flow, from),
            _mm512_fmadd_pd(v_2, torque, _mm512_mul_pd(alpha, t_slope)),
        ),
        torque_by_speed: _mm512_mul_pd(
            part(n_m_by_speed, from),
            _mm512_fmsub_pd(alpha_2, torque, _mm512_mul_pd(v, t_slope)),
        ),
        alpha,
        v,
        room: _mm512_mul_pd(step, _mm512_add_pd(nearer, all(EDGE_SHARE))),
    }
}

/// A pump between two nodes: [`super::turn`] from a straight line through the last two levels, and the heads. False
/// where a lane did not converge.
#[inline]
#[target_feature(enable = "avx512f,avx512dq")]
pub(super) fn pump<const W: usize>(
    pumps: &mut Pumps<W>,
    free: &Free<'_, W>,
    (shaft, lines): (&mut LaneShaft<W>, &Lines<W>),
    states: States<'_, W>,
) -> bool {
    let (zero, mut met) = (_mm512_setzero_pd(), true);
    for from in (0..W).step_by(V) {
        let (old_q, old_w) = (part(states.flow, from), part(&shaft.speed_rad_s, from));
        let mut q = _mm512_sub_pd(_mm512_add_pd(old_q, old_q), part(states.earlier.0, from));
        let mut w = _mm512_sub_pd(_mm512_add_pd(old_w, old_w), part(states.earlier.1, from));
        let (mut torque, mut open, mut left) = (zero, !0, ITERATIONS_MAX);
        while open != 0 && left > 0 {
            let at = point(pumps, from, q, w);
            let step = step(&at, from, free, (&*shaft, lines), (q, w));
            (q, w, torque) = (_mm512_add_pd(q, step.flow), _mm512_add_pd(w, step.speed), step.torque);
            (open, left) = (step.open(&at, pumps, from), left - 1);
        }
        keep(states.before, from, old_q);
        keep(states.earlier.0, from, old_q);
        keep(states.earlier.1, from, old_w);
        keep(states.flow, from, q);
        keep(&mut shaft.speed_rad_s, from, w);
        keep(states.torque, from, torque);
        let (z_from, z_to) = (part(free.impedance_s_m2[0], from), part(free.impedance_s_m2[1], from));
        keep(&mut states.heads[0], from, _mm512_fnmadd_pd(z_from, q, part(free.head_m[0], from)));
        keep(&mut states.heads[1], from, _mm512_fmadd_pd(z_to, q, part(free.head_m[1], from)));
        keep(&mut pumps.open, from, _mm512_maskz_mov_pd(open, all(1.0)));
        let back = _mm512_cmp_pd_mask::<_CMP_LT_OQ>(_mm512_mul_pd(w, part(&shaft.motion, from)), zero);
        let rubs = _mm512_cmp_pd_mask::<_CMP_GT_OQ>(part(&shaft.friction_n_m, from), zero);
        met &= open == 0 && back & rubs == 0;
    }
    met
}

/// A step of Newton's iteration and the torque after it.
struct Step {
    flow: __m512d,
    speed: __m512d,
    torque: __m512d,
}

impl Step {
    /// Lanes that need more.
    #[inline]
    #[target_feature(enable = "avx512f")]
    fn open<const W: usize>(&self, at: &Point, pumps: &Pumps<W>, from: usize) -> __mmask8 {
        let v = _mm512_mul_pd(self.flow, part(&pumps.per_flow, from));
        let alpha = _mm512_mul_pd(self.speed, part(&pumps.per_speed, from));
        let turn = _mm512_abs_pd(_mm512_fmsub_pd(at.alpha, v, _mm512_mul_pd(at.v, alpha)));
        !(_mm512_cmp_pd_mask::<_CMP_LE_OQ>(_mm512_abs_pd(v), all(STEP_SHARE))
            & _mm512_cmp_pd_mask::<_CMP_LE_OQ>(_mm512_abs_pd(alpha), all(STEP_SHARE))
            & _mm512_cmp_pd_mask::<_CMP_LE_OQ>(turn, at.room))
    }
}

#[inline]
#[target_feature(enable = "avx512f")]
fn step<const W: usize>(
    at: &Point,
    from: usize,
    free: &Free<'_, W>,
    (shaft, lines): (&LaneShaft<W>, &Lines<W>),
    (q, w): (__m512d, __m512d),
) -> Step {
    let over = _mm512_sub_pd(part(free.head_m[0], from), part(free.head_m[1], from));
    let impedance = _mm512_add_pd(part(free.impedance_s_m2[0], from), part(free.impedance_s_m2[1], from));
    let (theta, per_torque) = (part(&shaft.theta, from), part(&shaft.per_torque, from));
    let motion = part(&shaft.motion, from);
    let friction = _mm512_mul_pd(motion, part(&shaft.friction_n_m, from));
    let old = _mm512_mul_pd(_mm512_sub_pd(all(1.0), theta), part(&shaft.old_torque_n_m, from));
    let rest = _mm512_fmadd_pd(per_torque, _mm512_sub_pd(old, friction), part(&shaft.old_speed_rad_s, from));
    let share = _mm512_mul_pd(per_torque, theta);
    let turns = _mm512_cmp_pd_mask::<_CMP_NEQ_UQ>(motion, _mm512_setzero_pd());
    let (standstill, by_speed) = (part(&lines.0, from), part(&lines.1, from));
    let e_1 = _mm512_add_pd(_mm512_fnmadd_pd(impedance, q, over), at.head);
    let net = _mm512_sub_pd(_mm512_fmadd_pd(by_speed, w, standstill), at.torque);
    let e_2 = _mm512_mask_mov_pd(w, turns, _mm512_fnmadd_pd(share, net, _mm512_sub_pd(w, rest)));
    let a = _mm512_sub_pd(at.head_by_flow, impedance);
    let b = at.head_by_speed;
    let c = _mm512_maskz_mul_pd(turns, share, at.torque_by_flow);
    let steeper = _mm512_maskz_mul_pd(turns, share, _mm512_sub_pd(at.torque_by_speed, by_speed));
    let d = _mm512_add_pd(all(1.0), steeper);
    let inverse = _mm512_div_pd(all(1.0), _mm512_fmsub_pd(a, d, _mm512_mul_pd(b, c)));
    let flow = _mm512_mul_pd(_mm512_fmsub_pd(b, e_2, _mm512_mul_pd(e_1, d)), inverse);
    let speed = _mm512_mul_pd(_mm512_fmsub_pd(e_1, c, _mm512_mul_pd(a, e_2)), inverse);
    let tangent = _mm512_fmadd_pd(at.torque_by_flow, flow, at.torque);
    Step { flow, speed, torque: _mm512_fmadd_pd(at.torque_by_speed, speed, tangent) }
}

/// A loss between two nodes: [`super::through`], and the heads. False where a flow is no number.
#[inline]
#[target_feature(enable = "avx512f,avx512dq")]
pub(super) fn loss<const W: usize>(
    (loss_s2_m5, cracking_m, shut): (&Lanes<W>, &Lanes<W>, &Lanes<W>),
    free: &Free<'_, W>,
    (flow, before, heads): (&mut Lanes<W>, &mut Lanes<W>, &mut [Lanes<W>; 2]),
) -> bool {
    let mut numbers = true;
    for from in (0..W).step_by(V) {
        let (h_from, h_to) = (part(free.head_m[0], from), part(free.head_m[1], from));
        let (z_from, z_to) = (part(free.impedance_s_m2[0], from), part(free.impedance_s_m2[1], from));
        let over = _mm512_sub_pd(_mm512_sub_pd(h_from, h_to), part(cracking_m, from));
        let z = _mm512_add_pd(z_from, z_to);
        let lost = _mm512_mul_pd(_mm512_mul_pd(all(4.0), part(loss_s2_m5, from)), _mm512_abs_pd(over));
        let root = _mm512_sqrt_pd(_mm512_fmadd_pd(z, z, lost));
        let divisor = _mm512_max_pd(all(f64::MIN_POSITIVE), _mm512_add_pd(z, root));
        let open = _mm512_cmp_pd_mask::<_CMP_NGT_UQ>(part(shut, from), _mm512_setzero_pd());
        let q = _mm512_maskz_div_pd(open, _mm512_add_pd(over, over), divisor);
        keep(before, from, part(flow, from));
        keep(flow, from, q);
        keep(&mut heads[0], from, _mm512_fnmadd_pd(z_from, q, h_from));
        keep(&mut heads[1], from, _mm512_fmadd_pd(z_to, q, h_to));
        numbers &= _mm512_cmp_pd_mask::<_CMP_ORD_Q>(q, q) == !0;
    }
    numbers
}
