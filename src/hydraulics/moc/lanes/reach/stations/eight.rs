//! The inner stations in AVX-512, sixteen scenarios beside each other.

use super::{StationCubic, StationLanes, Tables};
use crate::hydraulics::moc::lanes::vector::{V, all, keep, part};
use crate::hydraulics::moc::stations::Plan;
use std::arch::x86_64::*;

/// Registers of sixteen lanes.
const PARTS: usize = 2;

/// True for the numbers of lanes there is a kernel for.
#[inline(always)]
pub(super) fn suits(lanes: usize) -> bool {
    lanes == PARTS * V
}

/// As `StationLanes::step` for all inner stations; the lowest f and g they hand on.
#[inline(never)]
#[target_feature(enable = "avx512f")]
pub(super) fn inner<const W: usize>(of: &mut StationLanes<W>, tables: &Tables<W>) -> [[f64; W]; 2] {
    let lowest = [half::<W, 0>(of, tables), half::<W, V>(of, tables)];
    let mut low = [[0.0; W]; 2];
    for (number, from) in [0, V].into_iter().enumerate() {
        for way in 0..2 {
            keep(&mut low[way], from, lowest[number][way]);
        }
    }
    low
}

/// Eight lanes of it, from one on. sigma is read from the cubic about the flow in the middle of the pipe; from the first
/// station on where some lane's flow is outside, from each station's own.
#[inline]
#[target_feature(enable = "avx512f")]
fn half<const W: usize, const FROM: usize>(of: &mut StationLanes<W>, tables: &Tables<W>) -> [__m512d; 2] {
    let StationLanes { plan, forwards, backwards, row, sigma, memory, kind, give, gain, cubics, common, .. } = of;
    let (low, high) = (part(&common.low, FROM), part(&common.high, FROM));
    let [c_0, c_1, c_2, c_3] = &common.of_flow;
    let (c_0, c_1, c_2, c_3) = (part(c_0, FROM), part(c_1, FROM), part(c_2, FROM), part(c_3, FROM));
    let (last, mut lowest) = (plan.last(), [all(f64::INFINITY); 2]);
    let (mut station, mut about) = (1, None);
    let mut steps = Steps { plan, forwards, backwards, sigma, memory, kind, give, gain, row: *row };
    // No call in this loop: all registers would have to be kept in memory.
    while station < last {
        let arriving = steps.arriving::<FROM>(station);
        let size = arriving.size;
        if station == last / 2 {
            about = Some(size);
        }
        if inside(size, low, high) != 0xff {
            break;
        }
        let upper = _mm512_fmadd_pd(size, c_3, c_2);
        let lower = _mm512_fmadd_pd(size, upper, c_1);
        let sigma = _mm512_mul_pd(all(steps.plan.cells[station]), _mm512_fmadd_pd(size, lower, c_0));
        steps.leave::<FROM>(station, &arriving, sigma, &mut lowest);
        station += 1;
    }
    while station < last {
        let arriving = steps.arriving::<FROM>(station);
        if station == last / 2 {
            about = Some(arriving.size);
        }
        let sigma = own(&mut cubics[station], steps.plan.cells[station], FROM, arriving.size, tables);
        steps.leave::<FROM>(station, &arriving, sigma, &mut lowest);
        station += 1;
    }
    if let Some(about) = about.filter(|about| inside(*about, low, high) != 0xff) {
        let mut sizes = [0.0; V];
        keep(&mut sizes, 0, about);
        common.aim(1.0, FROM, &sizes, tables);
    }
    lowest
}

/// What the stations of a pipe have and hand on.
struct Steps<'a, const W: usize> {
    plan: &'a Plan,
    forwards: &'a mut [[f64; W]],
    backwards: &'a mut [[f64; W]],
    sigma: &'a mut [[f64; W]],
    memory: &'a mut [[f64; W]],
    kind: &'a [usize],
    give: &'a [[f64; W]],
    gain: &'a [[f64; W]],
    row: usize,
}

/// f and g that arrive at a station, and nearly the flow's size there.
struct Arriving {
    f: __m512d,
    g: __m512d,
    size: __m512d,
}

impl<const W: usize> Steps<'_, W> {
    #[inline]
    #[target_feature(enable = "avx512f")]
    fn arriving<const FROM: usize>(&self, station: usize) -> Arriving {
        let (count, levels) = (self.plan.at.len(), self.plan.levels);
        let before = self.row + levels - self.plan.way(station - 1);
        let after = self.row + levels - self.plan.way(station);
        let before = if before >= levels { before - levels } else { before };
        let after = if after >= levels { after - levels } else { after };
        let f = part(&self.forwards[before * count + station - 1], FROM);
        let g = part(&self.backwards[after * count + station + 1], FROM);
        let (driving, old) = (_mm512_sub_pd(f, g), part(&self.sigma[station], FROM));
        let nearly = _mm512_fnmadd_pd(old, driving, driving);
        let nearly = _mm512_fnmadd_pd(old, nearly, driving);
        Arriving { f, g, size: _mm512_abs_pd(_mm512_fnmadd_pd(old, nearly, driving)) }
    }

    #[inline]
    #[target_feature(enable = "avx512f")]
    fn leave<const FROM: usize>(
        &mut self,
        station: usize,
        arriving: &Arriving,
        sigma: __m512d,
        lowest: &mut [__m512d; 2],
    ) {
        let driving = _mm512_sub_pd(arriving.f, arriving.g);
        let flow = _mm512_mul_pd(driving, per(_mm512_add_pd(all(1.0), sigma)));
        let (kept, kind) = (part(&self.memory[station], FROM), self.kind[station]);
        let sum = _mm512_add_pd(arriving.f, arriving.g);
        let taken = _mm512_fmsub_pd(part(&self.give[kind], FROM), sum, kept);
        let f = _mm512_add_pd(arriving.g, _mm512_sub_pd(flow, taken));
        let g = _mm512_sub_pd(arriving.f, _mm512_add_pd(flow, taken));
        keep(&mut self.memory[station], FROM, _mm512_fmadd_pd(part(&self.gain[kind], FROM), taken, kept));
        keep(&mut self.sigma[station], FROM, sigma);
        let at = self.row * self.plan.at.len() + station;
        keep(&mut self.forwards[at], FROM, f);
        keep(&mut self.backwards[at], FROM, g);
        *lowest = [_mm512_min_pd(lowest[0], f), _mm512_min_pd(lowest[1], g)];
    }
}

/// Lanes from `low` to below `high`.
#[inline]
#[target_feature(enable = "avx512f")]
fn inside(size: __m512d, low: __m512d, high: __m512d) -> u8 {
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
    if inside(size, part(&cubic.low, from), part(&cubic.high, from)) != 0xff {
        let mut sizes = [0.0; V];
        keep(&mut sizes, 0, size);
        cubic.aim(cells, from, &sizes, tables);
    }
    let [c_0, c_1, c_2, c_3] = &cubic.of_flow;
    let high = _mm512_fmadd_pd(size, part(c_3, from), part(c_2, from));
    let low = _mm512_fmadd_pd(size, high, part(c_1, from));
    _mm512_fmadd_pd(size, low, part(c_0, from))
}
