//! A place with one element between two nodes, in lanes: no matrix, no gathering of what is not there.
//!
//! A node's head follows from the element's flow alone: `H = H_free - z Q` at its `from` end, `H = H_free + z Q` at its `to`
//! end (`H_free`, z -> head without flow and what a pipe's end offers as impedance; z = 0 where the head is held). What is left is one
//! equation for the flow, and one more for the shaft where the element is a pump.

#[cfg(target_arch = "x86_64")]
mod eight;

use super::isa::Isa;
use super::place::{Drives, LaneNode, LaneShaft, Lanes, Law, Place};
use super::pumps::Pumps;
use super::reach::Reach;
#[cfg(target_arch = "x86_64")]
use super::vector;

/// Newton iterations in lanes; a lane that needs more is solved by itself.
const ITERATIONS_MAX: usize = 9;
/// A step of flow or speed, share of the rated value, after which Newton's iteration is at its end: what is left is about
/// its square, as long as the step stays within an interval of the pump's table.
const STEP_SHARE: f64 = 1.0e-6;
/// Share of an interval of the pump's table that does not count as leaving it.
const EDGE_SHARE: f64 = 1.0e-12;
/// Flows and heads beyond which a one-way element has turned, as in one at a time.
const TURNED_M3_S: f64 = 1.0e-12;
const LIFTED_M: f64 = 1.0e-9;

/// Drives that are lasting straight lines: torque at standstill and slope.
type Lines<const W: usize> = (Lanes<W>, Lanes<W>);

/// What makes the head at a node of such a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    /// A tank so large that its level stands still.
    Still,
    /// The end of one pipe and nothing else.
    PipeEnd { pipe: usize, at_to: bool },
    /// Anything that [`Place::gather`] adds up.
    Gathered,
}

/// Head without flow and impedance, of both nodes.
struct Free<'a, const W: usize> {
    head_m: [&'a Lanes<W>; 2],
    impedance_s_m2: [&'a Lanes<W>; 2],
}

/// The level before the old one: the next is guessed on a straight line through the two.
#[derive(Debug, Clone)]
#[repr(C, align(64))]
pub(super) struct Earlier<const W: usize> {
    flow_m3_s: Lanes<W>,
    pub(super) speed_rad_s: Lanes<W>,
}

impl<const W: usize> Earlier<W> {
    pub(super) fn new(flow_m3_s: &Lanes<W>, speed_rad_s: &Lanes<W>) -> Self {
        Self { flow_m3_s: *flow_m3_s, speed_rad_s: *speed_rad_s }
    }
}

impl<const W: usize> Place<W> {
    /// Solve the place for the new level: the flow through its element, and the heads, which are handed back. True where a
    /// lane may have to be solved by itself.
    #[inline(always)]
    pub(super) fn solve_single<I: Isa, D: Drives<W>>(
        &mut self,
        sides: [Side; 2],
        reaches: &[Reach<W>],
        (shaft, drives): (&mut LaneShaft<W>, &D),
        (unsound, lonely): (&[bool; W], &mut [bool; W]),
    ) -> ([Lanes<W>; 2], bool) {
        let Self { links, nodes, point, earlier, .. } = self;
        let link = &mut links[0];
        let mut added = [[[0.0; W]; 2]; 2];
        for end in 0..2 {
            if matches!(sides[end], Side::Gathered) {
                let [head_m, impedance_s_m2] = &mut added[end];
                gathered(&nodes[if end == 0 { link.from } else { link.to }], head_m, impedance_s_m2);
            }
        }
        let side = |end: usize| match sides[end] {
            Side::Still => (&nodes[if end == 0 { link.from } else { link.to }].held_m, &[0.0; W]),
            Side::PipeEnd { pipe, at_to } => {
                let offer = &reaches[pipe].offers[usize::from(at_to)];
                (&offer.head_m, &offer.impedance_s_m2)
            }
            Side::Gathered => (&added[end][0], &added[end][1]),
        };
        let (from, to) = (side(0), side(1));
        let free = Free { head_m: [from.0, to.0], impedance_s_m2: [from.1, to.1] };
        let mut heads = [[0.0; W]; 2];
        let any = match &mut link.law {
            Law::Loss { loss_s2_m5, cracking_m, shut, one_way, .. } => {
                let law = (&**loss_s2_m5, &**cracking_m, &**shut);
                let out = (&mut link.flow_m3_s, &mut link.before_m3_s, &mut heads);
                !through::<I, W>(law, &free, out) || *one_way
            }
            Law::Pump(pumps) => {
                let states = States {
                    flow: &mut link.flow_m3_s,
                    before: &mut link.before_m3_s,
                    earlier: (&mut earlier.flow_m3_s, &mut earlier.speed_rad_s),
                    torque: &mut point.torque_n_m,
                    heads: &mut heads,
                };
                !turn::<I, D, W>(pumps, &free, (shaft, drives), states)
            }
        };
        if any {
            self.find_lonely(shaft, &heads, unsound, lonely);
        }
        (heads, any)
    }

    /// Lanes that did not converge, or where a one-way element or the shaft must change its state.
    #[inline(never)]
    fn find_lonely(&self, shaft: &LaneShaft<W>, heads: &[Lanes<W>; 2], unsound: &[bool; W], lonely: &mut [bool; W]) {
        let link = &self.links[0];
        for l in 0..W {
            let flow = link.flow_m3_s[l];
            let must = match &link.law {
                Law::Loss { cracking_m, shut, one_way: true, .. } if shut[l] > 0.0 => {
                    heads[0][l] - heads[1][l] > cracking_m[l] + LIFTED_M
                }
                Law::Loss { one_way: true, .. } => flow < -TURNED_M3_S,
                Law::Loss { .. } => false,
                Law::Pump(pumps) => {
                    let stops = shaft.friction_n_m[l] > 0.0 && shaft.speed_rad_s[l] * shaft.motion[l] < 0.0;
                    stops || pumps.is_open(l)
                }
            };
            lonely[l] = !unsound[l] && (must || flow.is_nan());
        }
    }
}

#[inline(always)]
fn gathered<const W: usize>(node: &LaneNode<W>, head_m: &mut Lanes<W>, impedance_s_m2: &mut Lanes<W>) {
    for l in 0..W {
        let inverse = 1.0 / node.conductance_m2_s[l];
        let held = node.held[l] > 0.0;
        let free_m = node.reference_m[l] + node.supply_m3_s[l] * inverse;
        head_m[l] = if held { node.held_m[l] } else { free_m };
        impedance_s_m2[l] = if held { 0.0 } else { inverse };
    }
}

/// Flow through a loss: `D = z Q + r Q |Q|`, so `Q = 2 D / (z + sqrt(z^2 + 4 r |D|))`; none where it is shut. Flow, the
/// flow before, heads; false where a flow is no number.
#[inline(always)]
fn through<I: Isa, const W: usize>(
    law: (&Lanes<W>, &Lanes<W>, &Lanes<W>),
    free: &Free<'_, W>,
    (flow, before, heads): (&mut Lanes<W>, &mut Lanes<W>, &mut [Lanes<W>; 2]),
) -> bool {
    #[cfg(target_arch = "x86_64")]
    if I::EIGHT && W.is_multiple_of(vector::V) {
        // SAFETY: this is compiled for AVX-512 where `EIGHT` is set.
        return unsafe { eight::loss(law, free, (flow, before, heads)) };
    }
    let (loss_s2_m5, cracking_m, shut) = law;
    *before = *flow;
    let mut numbers = true;
    for l in 0..W {
        let over = free.head_m[0][l] - free.head_m[1][l] - cracking_m[l];
        let impedance = free.impedance_s_m2[0][l] + free.impedance_s_m2[1][l];
        let root = (impedance * impedance + 4.0 * loss_s2_m5[l] * over.abs()).sqrt();
        let open = 2.0 * over / (impedance + root).max(f64::MIN_POSITIVE);
        flow[l] = if shut[l] > 0.0 { 0.0 } else { open };
        heads[0][l] = free.head_m[0][l] - free.impedance_s_m2[0][l] * flow[l];
        heads[1][l] = free.head_m[1][l] + free.impedance_s_m2[1][l] * flow[l];
        numbers &= !flow[l].is_nan();
    }
    numbers
}

/// The states that the pump's iteration begins from and leaves behind.
struct States<'a, const W: usize> {
    flow: &'a mut Lanes<W>,
    before: &'a mut Lanes<W>,
    /// Flow and speed one level before the old one.
    earlier: (&'a mut Lanes<W>, &'a mut Lanes<W>),
    torque: &'a mut Lanes<W>,
    heads: &'a mut [Lanes<W>; 2],
}

/// Flow and speed of the new level by Newton's iteration from a straight line through the last two levels; false where a
/// lane did not converge or its shaft must stop.
///
/// Equations: `D - z Q + H_p(Q, w) = 0` and the shaft's, as [`super::newton`] has them. The iteration ends with a small step
/// within one interval of the pump's table; torque follows the last tangent, as flow and speed do.
#[inline(always)]
fn turn<I: Isa, D: Drives<W>, const W: usize>(
    pumps: &mut Pumps<W>,
    free: &Free<'_, W>,
    (shaft, drives): (&mut LaneShaft<W>, &D),
    states: States<'_, W>,
) -> bool {
    #[cfg(target_arch = "x86_64")]
    if let (true, Some(lines)) = (I::EIGHT && W.is_multiple_of(vector::V), drives.lines()) {
        // SAFETY: this is compiled for AVX-512 where `EIGHT` is set.
        return unsafe { eight::pump(pumps, free, (shaft, lines), states) };
    }
    let old = *states.flow;
    let speed_rad_s = shaft.speed_rad_s;
    let mut rest = [0.0; W];
    for l in 0..W {
        states.flow[l] = 2.0 * old[l] - states.earlier.0[l];
        shaft.speed_rad_s[l] = 2.0 * speed_rad_s[l] - states.earlier.1[l];
        rest[l] = shaft.old_speed_rad_s[l]
            + shaft.per_torque[l]
                * ((1.0 - shaft.theta[l]) * shaft.old_torque_n_m[l] - shaft.motion[l] * shaft.friction_n_m[l]);
    }
    (*states.before, *states.earlier.0, *states.earlier.1) = (old, old, speed_rad_s);
    let mut met = false;
    for _ in 0..ITERATIONS_MAX {
        let flow = (&mut *states.flow, &mut *states.torque);
        if !iterate::<I, D, W>(pumps, free, (&mut *shaft, drives, &rest), flow) {
            met = true;
            break;
        }
    }
    for l in 0..W {
        let flow = states.flow[l];
        states.heads[0][l] = free.head_m[0][l] - free.impedance_s_m2[0][l] * flow;
        states.heads[1][l] = free.head_m[1][l] + free.impedance_s_m2[1][l] * flow;
        met &= !(shaft.friction_n_m[l] > 0.0 && shaft.speed_rad_s[l] * shaft.motion[l] < 0.0);
    }
    met
}

/// One iteration; true where a lane needs more.
#[inline(always)]
fn iterate<I: Isa, D: Drives<W>, const W: usize>(
    pumps: &mut Pumps<W>,
    free: &Free<'_, W>,
    (shaft, drives, rest): (&mut LaneShaft<W>, &D, &Lanes<W>),
    (flow, torque_n_m): (&mut Lanes<W>, &mut Lanes<W>),
) -> bool {
    let (at, edge) = pumps.within::<I>(flow, &shaft.speed_rad_s);
    let (mut drive, mut slope) = ([0.0; W], [0.0; W]);
    drives.torque(&shaft.speed_rad_s, &mut drive, &mut slope);
    let mut any = false;
    for l in 0..W {
        let share = shaft.per_torque[l] * shaft.theta[l];
        let held = shaft.motion[l] == 0.0;
        let impedance = free.impedance_s_m2[0][l] + free.impedance_s_m2[1][l];
        let speed = shaft.speed_rad_s[l];
        let e_1 = free.head_m[0][l] - free.head_m[1][l] - impedance * flow[l] + at.head_m[l];
        let turning = speed - rest[l] - share * (drive[l] - at.torque_n_m[l]);
        let e_2 = if held { speed } else { turning };
        let a = at.head_by_flow[l] - impedance;
        let b = at.head_by_speed[l];
        let c = if held { 0.0 } else { share * at.torque_by_flow[l] };
        let d = if held { 1.0 } else { 1.0 + share * (at.torque_by_speed[l] - slope[l]) };
        let inverse = 1.0 / (a * d - b * c);
        let by_flow = (b * e_2 - e_1 * d) * inverse;
        let by_speed = (e_1 * c - a * e_2) * inverse;
        torque_n_m[l] = at.torque_n_m[l] + at.torque_by_flow[l] * by_flow + at.torque_by_speed[l] * by_speed;
        let (v, alpha) = (by_flow * pumps.per_flow[l], by_speed * pumps.per_speed[l]);
        let turn = (edge.alpha[l] * v - edge.v[l] * alpha).abs();
        let small = v.abs() <= STEP_SHARE && alpha.abs() <= STEP_SHARE;
        let open = !(small && turn <= edge.room[l]);
        pumps.open[l] = if open { 1.0 } else { 0.0 };
        any |= open;
        flow[l] += by_flow;
        shaft.speed_rad_s[l] += by_speed;
    }
    any
}

/// What tells whether a small step leaves the interval of the pump's table.
pub(super) struct Edge<const W: usize> {
    pub(super) alpha: Lanes<W>,
    pub(super) v: Lanes<W>,
    /// `alpha dv - v dalpha` that the interval has room for.
    pub(super) room: Lanes<W>,
}

/// Room for a turn of the angle, in `alpha dv - v dalpha`: the nearer edge of the interval, of this many radians.
#[inline(always)]
pub(super) fn room(square: f64, rest: f64, step_rad: f64) -> f64 {
    let other = 1.0 - rest;
    let nearer = if rest < other { rest } else { other };
    square * step_rad * (nearer + EDGE_SHARE)
}
