//! The inner stations in AVX-512, eight or sixteen scenarios beside each other.

use super::{StationCubic, StationLanes, Tables};
use crate::hydraulics::moc::lanes::vector::{V, all, keep, part};
use std::arch::x86_64::*;

/// All lanes of a register.
const EVERY: u8 = 0xff;

/// True for the numbers of lanes there is a kernel for.
#[inline(always)]
pub(super) fn suits(lanes: usize) -> bool {
    lanes > 1 && lanes.is_multiple_of(V)
}

/// What arrives at a station and what it is held against, in all registers: `(f, g, f - g, nearly the flow's size)`. A
/// macro, since a function of these instructions is inlined only where the compiler likes to.
macro_rules! arriving {
    ($of:expr, $row:expr, $station:expr, $from:expr) => {{
        let (plan, station, lanes) = (&$of.plan, $station, $from);
        let (count, levels) = (plan.at.len(), plan.levels);
        let before = $row + levels - plan.way(station - 1);
        let after = $row + levels - plan.way(station);
        let before = if before >= levels { before - levels } else { before };
        let after = if after >= levels { after - levels } else { after };
        let from = &$of.forwards[before * count + station - 1];
        let to = &$of.backwards[after * count + station + 1];
        let kept = &$of.sigma[station];
        let (mut f, mut g) = ([all(0.0); P], [all(0.0); P]);
        let (mut driving, mut size) = (f, f);
        for k in 0..P {
            (f[k], g[k]) = (part(from, lanes + k * V), part(to, lanes + k * V));
            driving[k] = _mm512_sub_pd(f[k], g[k]);
            let old = part(kept, lanes + k * V);
            let nearly = _mm512_fnmadd_pd(old, driving[k], driving[k]);
            let nearly = _mm512_fnmadd_pd(old, nearly, driving[k]);
            size[k] = _mm512_abs_pd(_mm512_fnmadd_pd(old, nearly, driving[k]));
        }
        (f, g, driving, size)
    }};
}

/// What a station hands on, with sigma at hand, and the lowest of it.
macro_rules! leave {
    ($of:expr, $row:expr, $station:expr, $from:expr, $arriving:expr, $sigma:expr, $lowest:expr) => {{
        let (station, lanes, (f, g, driving, _), sigma) = ($station, $from, $arriving, $sigma);
        let kind = $of.kind[station];
        let (give, gain) = (&$of.give[kind], &$of.gain[kind]);
        let at = $row * $of.plan.at.len() + station;
        let (forwards, backwards) = (&mut $of.forwards[at], &mut $of.backwards[at]);
        let (memory, old) = (&mut $of.memory[station], &mut $of.sigma[station]);
        for k in 0..P {
            let flow = _mm512_mul_pd(driving[k], per(_mm512_add_pd(all(1.0), sigma[k])));
            let (kept, sum) = (part(memory, lanes + k * V), _mm512_add_pd(f[k], g[k]));
            let taken = _mm512_fmsub_pd(part(give, lanes + k * V), sum, kept);
            let new_f = _mm512_add_pd(g[k], _mm512_sub_pd(flow, taken));
            let new_g = _mm512_sub_pd(f[k], _mm512_add_pd(flow, taken));
            keep(memory, lanes + k * V, _mm512_fmadd_pd(part(gain, lanes + k * V), taken, kept));
            keep(old, lanes + k * V, sigma[k]);
            keep(forwards, lanes + k * V, new_f);
            keep(backwards, lanes + k * V, new_g);
            $lowest[0][k] = _mm512_min_pd($lowest[0][k], new_f);
            $lowest[1][k] = _mm512_min_pd($lowest[1][k], new_g);
        }
    }};
}

/// As `StationLanes::step` for all inner stations; the lowest f and g they hand on. sigma is read from the cubic about the
/// flow in the middle of the pipe, where eight lanes' flows are outside of it from the station's own.
///
/// # Safety
/// AVX-512F is there.
#[inline(always)]
pub(super) unsafe fn inner<const W: usize>(of: &mut StationLanes<W>, tables: &Tables<W>) -> [[f64; W]; 2] {
    let mut low = [[0.0; W]; 2];
    if W == V {
        // SAFETY: the caller stands where AVX-512 was found.
        unsafe { parts::<W, 1>(of, tables, 0, &mut low) };
        return low;
    }
    for from in (0..W).step_by(2 * V) {
        // SAFETY: as above.
        unsafe { parts::<W, 2>(of, tables, from, &mut low) };
    }
    low
}

/// As above for `P` times eight lanes from one on.
#[inline(never)]
#[target_feature(enable = "avx512f")]
fn parts<const W: usize, const P: usize>(
    of: &mut StationLanes<W>,
    tables: &Tables<W>,
    from: usize,
    low: &mut [[f64; W]; 2],
) {
    let (row, last) = (of.row, of.plan.last());
    let common = &of.common;
    let mut bounds = [[all(0.0); 2]; P];
    let mut cubic = [[all(0.0); 4]; P];
    for k in 0..P {
        bounds[k] = [part(&common.low, from + k * V), part(&common.high, from + k * V)];
        for (number, of_flow) in common.of_flow.iter().enumerate() {
            cubic[k][number] = part(of_flow, from + k * V);
        }
    }
    let (mut lowest, mut about) = ([[all(f64::INFINITY); P]; 2], None);
    let mut station = 1;
    // No call in this loop: all registers would have to be kept in memory.
    while station < last {
        let arriving = arriving!(of, row, station, from);
        let size = arriving.3;
        if station == last / 2 {
            about = Some(size);
        }
        let mut within = EVERY;
        for k in 0..P {
            within &= inside(size[k], bounds[k]);
        }
        if within != EVERY {
            break;
        }
        let (cells, mut sigma) = (all(of.plan.cells[station]), [all(0.0); P]);
        for k in 0..P {
            sigma[k] = _mm512_mul_pd(cells, read(size[k], &cubic[k]));
        }
        leave!(of, row, station, from, arriving, sigma, lowest);
        station += 1;
    }
    while station < last {
        let arriving = arriving!(of, row, station, from);
        let size = arriving.3;
        if station == last / 2 {
            about = Some(size);
        }
        let (cells, mut sigma) = (of.plan.cells[station], [all(0.0); P]);
        for k in 0..P {
            sigma[k] = if inside(size[k], bounds[k]) == EVERY {
                _mm512_mul_pd(all(cells), read(size[k], &cubic[k]))
            } else {
                own(&mut of.cubics[station], cells, from + k * V, size[k], tables)
            };
        }
        leave!(of, row, station, from, arriving, sigma, lowest);
        station += 1;
    }
    for k in 0..P {
        for way in 0..2 {
            keep(&mut low[way], from + k * V, lowest[way][k]);
        }
        if let Some(about) = about.filter(|about| inside(about[k], bounds[k]) != EVERY) {
            let mut sizes = [0.0; V];
            keep(&mut sizes, 0, about[k]);
            of.common.aim(1.0, from + k * V, &sizes, tables);
        }
    }
}

/// A cubic at eight flows.
#[inline]
#[target_feature(enable = "avx512f")]
fn read(size: __m512d, [c_0, c_1, c_2, c_3]: &[__m512d; 4]) -> __m512d {
    _mm512_fmadd_pd(size, _mm512_fmadd_pd(size, _mm512_fmadd_pd(size, *c_3, *c_2), *c_1), *c_0)
}

/// Lanes from `low` to below `high`.
#[inline]
#[target_feature(enable = "avx512f")]
fn inside(size: __m512d, [low, high]: [__m512d; 2]) -> u8 {
    _mm512_cmp_pd_mask::<_CMP_GE_OQ>(size, low) & _mm512_cmp_pd_mask::<_CMP_LT_OQ>(size, high)
}

/// One over eight numbers about 1, by two steps of Newton from fourteen bits: within two bits of the quotient, at a third of
/// its time.
#[inline]
#[target_feature(enable = "avx512f")]
fn per(divisor: __m512d) -> __m512d {
    let first = _mm512_rcp14_pd(divisor);
    let second = _mm512_fmadd_pd(first, _mm512_fnmadd_pd(divisor, first, all(1.0)), first);
    _mm512_fmadd_pd(second, _mm512_fnmadd_pd(divisor, second, all(1.0)), second)
}

/// sigma of eight lanes at flows, by a station's own cubic.
#[inline(never)]
#[target_feature(enable = "avx512f")]
fn own<const W: usize>(
    cubic: &mut StationCubic<W>,
    cells: f64,
    from: usize,
    size: __m512d,
    tables: &Tables<W>,
) -> __m512d {
    if inside(size, [part(&cubic.low, from), part(&cubic.high, from)]) != EVERY {
        let mut sizes = [0.0; V];
        keep(&mut sizes, 0, size);
        cubic.aim(cells, from, &sizes, tables);
    }
    let [c_0, c_1, c_2, c_3] = &cubic.of_flow;
    read(size, &[part(c_0, from), part(c_1, from), part(c_2, from), part(c_3, from)])
}
