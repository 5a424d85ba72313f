//! A pipe whose friction and slow give are gathered at stations: between them water is carried as it is.

use super::creep::Creep;
use crate::hydraulics::pipe::Resistance;

/// Where the stations of a pipe stand.
///
/// The first and the last are its ends; between two are as many cells as nearly equal parts give, `most` at most.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Plan {
    /// Grid point of each.
    pub(crate) at: Vec<usize>,
    /// Cells that it answers for: half of those on either side.
    pub(crate) cells: Vec<f64>,
    /// Levels that are kept: those on the longest way between two, and the present one.
    pub(crate) levels: usize,
}

impl Plan {
    /// Of a pipe of `cells`; none where each point is to be its own station, or the pipe has too few.
    pub(crate) fn new(cells: usize, most: usize) -> Option<Self> {
        if most < 2 || cells < 2 {
            return None;
        }
        let parts = cells.div_ceil(most).max(2);
        let at: Vec<usize> = (0..=parts).map(|part| part * cells / parts).collect();
        let way = |part: usize| (at[part + 1] - at[part]) as f64;
        let half = |station: usize| {
            let before = if station > 0 { way(station - 1) } else { 0.0 };
            let after = if station < parts { way(station) } else { 0.0 };
            0.5 * (before + after)
        };
        let longest = (0..parts).map(|part| at[part + 1] - at[part]).max().unwrap_or(1);
        Some(Self { cells: (0..=parts).map(half).collect(), levels: longest + 1, at })
    }

    /// The last station.
    #[inline]
    pub(crate) fn last(&self) -> usize {
        self.at.len() - 1
    }

    /// Cells from a station to the next.
    #[inline]
    pub(crate) fn way(&self, station: usize) -> usize {
        self.at[station + 1] - self.at[station]
    }

    /// The station at or before a point that has one behind it, and the cells from there to the point.
    pub(crate) fn before(&self, point: usize) -> (usize, usize) {
        let station = self.at.partition_point(|at| *at <= point).saturating_sub(1).min(self.last() - 1);
        (station, point - self.at[station])
    }
}

/// Stations of one pipe, one at a time.
///
/// Equation: between stations `F = H + B Q` and `G = H - B Q` are carried unchanged, one cell a step. A station of resistance
/// R (that of the cells it answers for, at the new flow) and wall share takes, from F_A and G_B that arrive,
/// `Q = (F_A - G_B) / (2 B + R)` and `H = (E + e m) / (1 + e share)`, `E = (F_A + G_B) / 2`, `d = share H - m`, and hands on
/// `F = G_B + 2 B Q - 2 e d`, `G = F_A - 2 B Q - 2 e d`: half of R on either side of a wall that gives, head and flow those in
/// the middle. m, q as in [`Creep`] over one step; `e = w q / 2`, w -> cells. R is read at the flow that the R before gives. At
/// an end the resistance stands between the node and the wall, `e = w q`, and R is that of the flow on a straight line
/// through the last two. At a point between stations head and flow are what is carried, and what the stations to
/// either side have beside it, by the distance.
/// Range: friction by table, walls elastic or creeping, no water that parts: where a point comes below boiling the pipe goes
/// on point by point ([`Stations::points`]).
/// Accuracy: waves as on the grid; friction and give second order in the distance of stations
/// (`law_stations_converge_with_second_order`).
#[derive(Debug, Clone)]
pub(super) struct Stations {
    plan: Plan,
    /// F and G handed on, one row of all stations a level.
    forwards_m: Vec<f64>,
    backwards_m: Vec<f64>,
    /// Level of the present, and its row.
    row: usize,
    resistance_s_m2: Vec<f64>,
    memory_m: Vec<f64>,
    wall: Wall,
    impedance_s_m2: f64,
    /// Head, flow and the flow before at either end.
    ends: [End; 2],
}

#[derive(Debug, Clone, Copy)]
struct Wall {
    share: f64,
    gain: f64,
}

#[derive(Debug, Clone, Copy)]
struct End {
    head_m: f64,
    flow_m3_s: f64,
    before_m3_s: f64,
}

impl Stations {
    /// In the steady state of these heads at the ends and this flow.
    pub(super) fn new(
        plan: Plan,
        (impedance_s_m2, resistance): (f64, &Resistance),
        creep: Option<&Creep>,
        (from_m, to_m, flow_m3_s): (f64, f64, f64),
    ) -> Self {
        let (last, cells) = (plan.last(), plan.at[plan.last()] as f64);
        let (share, _, gain) = creep.map_or((0.0, 0.0, 0.0), Creep::parts);
        let of_cell = resistance.per_flow(flow_m3_s) / cells;
        let resistance_s_m2: Vec<f64> = plan.cells.iter().map(|cells| cells * of_cell).collect();
        let (mut forwards, mut backwards, mut memory_m) = (Vec::new(), Vec::new(), Vec::new());
        let (mut before_m, carried_m) = (from_m, impedance_s_m2 * flow_m3_s);
        for (station, resistance) in resistance_s_m2.iter().enumerate() {
            let after_m = if station == last { to_m } else { before_m - resistance * flow_m3_s };
            let middle_m = match station {
                0 => after_m,
                _ if station == last => before_m,
                _ => 0.5 * (before_m + after_m),
            };
            memory_m.push(share * middle_m);
            forwards.push(after_m + carried_m);
            backwards.push(before_m - carried_m);
            before_m = after_m;
        }
        let end = |head_m| End { head_m, flow_m3_s, before_m3_s: flow_m3_s };
        Self {
            forwards_m: forwards.repeat(plan.levels),
            backwards_m: backwards.repeat(plan.levels),
            row: 0,
            resistance_s_m2,
            memory_m,
            wall: Wall { share, gain },
            impedance_s_m2,
            ends: [end(from_m), end(to_m)],
            plan,
        }
    }

    pub(super) fn plan(&self) -> &Plan {
        &self.plan
    }

    /// Number of what a station handed on some levels ago (0: the present).
    fn at(&self, station: usize, ago: usize) -> usize {
        let row = (self.row + self.plan.levels - ago) % self.plan.levels;
        row * self.plan.at.len() + station
    }

    /// e of a station.
    fn drop(&self, station: usize) -> f64 {
        let half = if station == 0 || station == self.plan.last() { 1.0 } else { 0.5 };
        half * self.plan.cells[station] * self.wall.gain
    }

    /// F and G that arrive at an inner station at the present level.
    fn arriving(&self, station: usize) -> (f64, f64) {
        let forwards = self.forwards_m[self.at(station - 1, self.plan.way(station - 1))];
        (forwards, self.backwards_m[self.at(station + 1, self.plan.way(station))])
    }

    /// Head and flow in the middle of a station at the present level.
    fn middle(&self, station: usize) -> (f64, f64) {
        let end = usize::from(station > 0);
        if station == 0 || station == self.plan.last() {
            return (self.ends[end].head_m, self.ends[end].flow_m3_s);
        }
        let (f_a, g_b) = self.arriving(station);
        let at = self.at(station, 0);
        let (f, g) = (self.forwards_m[at], self.backwards_m[at]);
        (0.25 * (f_a + g_b + f + g), 0.25 * (f_a - g_b + f - g) / self.impedance_s_m2)
    }

    /// Step all inner stations to the new level; `of_cell` tells a cell's resistance at a flow.
    pub(super) fn advance(&mut self, of_cell: impl Fn(f64) -> f64) {
        self.row = (self.row + 1) % self.plan.levels;
        let (twice, Wall { share, gain }) = (2.0 * self.impedance_s_m2, self.wall);
        for station in 1..self.plan.last() {
            let (f_a, g_b) = self.arriving(station);
            let (driving, sigma) = (f_a - g_b, self.resistance_s_m2[station] / twice);
            let nearly = driving - sigma * (driving - sigma * (driving - sigma * driving));
            let resistance = self.plan.cells[station] * of_cell(nearly / twice);
            let carried = driving * twice / (twice + resistance);
            let drop = self.drop(station);
            let elastic_m = 0.5 * (f_a + g_b);
            let d = (share * elastic_m - self.memory_m[station]) / (1.0 + drop * share);
            self.memory_m[station] += gain * d;
            self.resistance_s_m2[station] = resistance;
            let at = self.at(station, 0);
            self.forwards_m[at] = g_b + carried - 2.0 * drop * d;
            self.backwards_m[at] = f_a - carried - 2.0 * drop * d;
        }
        for (end, station) in [0, self.plan.last()].into_iter().enumerate() {
            let End { flow_m3_s, before_m3_s, .. } = self.ends[end];
            self.resistance_s_m2[station] = self.plan.cells[station] * of_cell(2.0 * flow_m3_s - before_m3_s);
        }
    }

    /// Station of an end, and what arrives there.
    fn arriving_at_end(&self, at_to: bool) -> (usize, f64) {
        let last = self.plan.last();
        if at_to {
            (last, self.forwards_m[self.at(last - 1, self.plan.way(last - 1))])
        } else {
            (0, self.backwards_m[self.at(1, self.plan.way(0))])
        }
    }

    /// What an end offers at the new level, and its impedance, s/m2.
    pub(super) fn end(&self, at_to: bool) -> (f64, f64) {
        let (station, arriving_m) = self.arriving_at_end(at_to);
        let drop = self.drop(station);
        let soft = 1.0 / (1.0 + drop * self.wall.share);
        let offer_m = soft * (arriving_m + drop * self.memory_m[station]);
        (offer_m, soft * self.impedance_s_m2 + self.resistance_s_m2[station])
    }

    /// Head and flow (from `from` to `to`) solved at an end.
    pub(super) fn set_end(&mut self, at_to: bool, head_m: f64, flow_m3_s: f64) {
        let (station, _) = self.arriving_at_end(at_to);
        let drop = self.drop(station);
        let into_m3_s = if at_to { -flow_m3_s } else { flow_m3_s };
        let wall_m = head_m - self.resistance_s_m2[station] * into_m3_s;
        let d = self.wall.share * wall_m - self.memory_m[station];
        self.memory_m[station] += self.wall.gain * d;
        let handed_on = wall_m + self.impedance_s_m2 * into_m3_s - drop * d;
        let at = self.at(station, 0);
        if at_to {
            self.backwards_m[at] = handed_on;
        } else {
            self.forwards_m[at] = handed_on;
        }
        let end = &mut self.ends[usize::from(at_to)];
        *end = End { head_m, flow_m3_s, before_m3_s: end.flow_m3_s };
    }

    /// Heads and flows at all points of the grid at the present level, once both ends are solved.
    pub(super) fn show(&self, head_m: &mut [f64], flow_m3_s: &mut [f64]) {
        let last = self.plan.last();
        for station in 0..last {
            let way = self.plan.way(station);
            let carried = |cells: usize| {
                let forwards = self.forwards_m[self.at(station, cells)];
                let backwards = self.backwards_m[self.at(station + 1, way - cells)];
                (0.5 * (forwards + backwards), 0.5 * (forwards - backwards) / self.impedance_s_m2)
            };
            let beside = |station: usize, cells: usize| {
                let (middle, carried) = (self.middle(station), carried(cells));
                (middle.0 - carried.0, middle.1 - carried.1)
            };
            let (left, right) = (beside(station, 0), beside(station + 1, way));
            for cells in 0..=way {
                let share = cells as f64 / way as f64;
                let (point, carried) = (self.plan.at[station] + cells, carried(cells));
                head_m[point] = carried.0 + (1.0 - share) * left.0 + share * right.0;
                flow_m3_s[point] = carried.1 + (1.0 - share) * left.1 + share * right.1;
            }
        }
    }

    /// Memory of a creeping wall at all points of the grid, m.
    pub(super) fn memories_m(&self) -> Vec<f64> {
        let between = |station: usize| {
            let (way, left, right) = (self.plan.way(station), self.memory_m[station], self.memory_m[station + 1]);
            (0..way).map(move |cells| left + (right - left) * cells as f64 / way as f64)
        };
        let inner = (0..self.plan.last()).flat_map(between);
        inner.chain(self.memory_m.last().copied()).collect()
    }

    /// Water stored elastically and in the walls, m3, as the pipe's points have it: ends count half a step of what runs in.
    pub(super) fn stored_m3(&self, dt_s: f64) -> f64 {
        let mut sum_m = 0.0;
        for station in 0..self.plan.last() {
            for ago in 0..self.plan.way(station) {
                let (there, back) = (self.at(station, ago), self.at(station + 1, ago));
                sum_m += 0.5 * (self.forwards_m[there] + self.backwards_m[back]);
            }
        }
        let given_m: f64 = self.plan.cells.iter().zip(&self.memory_m).map(|(cells, memory)| cells * memory).sum();
        let ends_m3_s = self.ends[0].flow_m3_s - self.ends[1].flow_m3_s;
        dt_s * ((sum_m + given_m) / self.impedance_s_m2 - 0.5 * ends_m3_s)
    }
}
