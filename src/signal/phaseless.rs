//! A filter forward and backward over many series at once.
//!
//! A recursive filter waits for its own last output: one series alone leaves most of a processor idle, and a pass over all
//! of it and another one back read memory twice. Here a series is cut into blocks, and eight blocks go side by side. Each
//! begins some samples early and goes on some samples longer, until what its neighbours know and it does not has died away;
//! so a block is filtered forward and backward while it lies in the nearest caches, and memory is read once and written once.
//!
//! Accuracy: what is left of the neighbours is [`FORGOTTEN`] of the range of the values, less than rounding; the worst
//! difference from two whole passes is seen by `law_blocks_give_what_two_whole_passes_give`. Blocks depend on the length of
//! a series and on the filter alone, so that its numbers do not depend on what is filtered beside it or on the processor
//! (no fused multiply-add).

use super::filter::{LowPass, Section};
use super::room;
use fearless_simd::{Level, Simd, SimdBase, SimdFrom, dispatch, f64x4};
use std::collections::BTreeSet;

/// Blocks side by side.
const LANES: usize = 8;
/// One sample of each of them.
type Row = [f64; LANES];
/// The same in two registers.
type Wide<S> = [f64x4<S>; 2];
/// Samples turned from series to rows at a time; lengths of blocks are multiples of it.
const TURN: usize = 4;
/// Results are fetched so far before they are written, bytes: eight ways back through memory are more than a processor follows.
const AHEAD: usize = 256;
/// What is left of a block's surroundings where it begins, natural logarithm of the share: 2^-64.
const FORGOTTEN: f64 = -44.4;
/// Samples that it begins early at least: sections look back two each, whatever their poles.
const LEAST_EARLY: usize = 16;
/// A block is so many times as long as what it begins early: the more, the less is filtered twice, the fewer stay in the cache.
const BLOCK: std::ops::RangeInclusive<usize> = 2..=16;

/// A series without missing samples, or one of the stretches between them.
struct Stretch<'a> {
    series: usize,
    values: &'a [f64],
    filtered: &'a mut [f64],
}

/// How a stretch is cut: samples filtered before and after a block, samples of a block.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Cut {
    early: usize,
    block: usize,
}

struct Block<'a> {
    source: Source<'a>,
    filtered: &'a mut [f64],
}

/// Where a block comes from.
#[derive(Clone, Copy)]
struct Source<'a> {
    cut: Cut,
    series: usize,
    values: &'a [f64],
    from: usize,
}

/// Memory used again and again.
#[derive(Default)]
struct Room {
    /// Blocks at the ends of a series, with what is taken to be outside.
    edges: Vec<f64>,
    /// Results of blocks that are not whole.
    spill: Vec<f64>,
    rows: Vec<Row>,
}

/// Eight blocks of one cut.
struct Lanes<'a, 'b> {
    early: usize,
    /// The blocks with what is before and behind.
    values: [&'a [f64]; LANES],
    /// Where each series ends, counted from the start of `values`.
    ends: [usize; LANES],
    filtered: [&'b mut [f64]; LANES],
}

/// Filter forward and backward: see [`LowPass::phaseless_into`].
pub(super) fn both_ways(filter: &LowPass, series: &[&[f64]], filtered: &mut [&mut [f64]]) {
    let whole = series.iter().zip(filtered.iter_mut()).enumerate();
    let whole = whole.map(|(series, (values, filtered))| Stretch { series, values, filtered }).collect();
    // A missing sample makes all that follows it in its block missing: that is how it is found.
    let broken = filter_stretches(filter, whole);
    let mut stretches = Vec::new();
    for (series, (values, filtered)) in series.iter().zip(filtered.iter_mut()).enumerate() {
        if broken.contains(&series) {
            filtered.copy_from_slice(values);
            let results = filtered.split_mut(|value| value.is_nan());
            let parts = values.split(|value| value.is_nan()).zip(results);
            stretches.extend(parts.map(|(values, filtered)| Stretch { series, values, filtered }));
        }
    }
    filter_stretches(filter, stretches);
}

/// Filter each stretch as if nothing were missing in it; the series where that was not so.
fn filter_stretches(filter: &LowPass, stretches: Vec<Stretch<'_>>) -> BTreeSet<usize> {
    let memory = memory_samples(filter.sections());
    let mut blocks: Vec<Block<'_>> = Vec::new();
    for Stretch { series, values, filtered } in stretches {
        let cut = Cut::of(values.len(), memory);
        let parts = filtered.chunks_mut(cut.block).enumerate();
        let source = |k: usize| Source { cut, series, values, from: k * cut.block };
        blocks.extend(parts.map(|(k, filtered)| Block { source: source(k), filtered }));
    }
    blocks.sort_by_key(|block| block.source.cut);
    let mut broken = BTreeSet::new();
    let (mut room, level) = (Room::default(), Level::new());
    for of_one_cut in blocks.chunk_by_mut(|a, b| a.source.cut == b.source.cut) {
        for together in of_one_cut.chunks_mut(LANES) {
            let last = filter_together(level, filter.sections(), together, &mut room);
            let missing = together.iter().zip(last).filter(|(_, last)| last.is_nan());
            broken.extend(missing.map(|(block, _)| block.source.series));
        }
    }
    broken
}

impl Cut {
    fn of(samples: usize, memory: usize) -> Self {
        let whole_turns = |count: usize| count.next_multiple_of(TURN);
        let early = whole_turns(memory.min(samples));
        let block = whole_turns((samples / LANES).clamp(BLOCK.start() * early, BLOCK.end() * early).max(1));
        Self { early, block }
    }

    fn span(self) -> usize {
        2 * self.early + self.block
    }
}

/// Samples after which a filter has forgotten what was before: its slowest pole has fallen to [`FORGOTTEN`].
fn memory_samples(sections: &[Section]) -> usize {
    let radius = |section: &Section| match section.a {
        [a1, 0.0] => a1.abs(),
        [_, a2] => a2.sqrt(),
    };
    let slowest = sections.iter().map(radius).fold(0.0, f64::max);
    // A corner so low that a pole lies on the circle itself: all samples there are.
    if slowest < 1.0 { ((FORGOTTEN / slowest.ln()).ceil() as usize).max(LEAST_EARLY) } else { usize::MAX }
}

/// Both passes of up to eight blocks; the last sample of each after the first pass.
fn filter_together(level: Level, sections: &[Section], blocks: &mut [Block<'_>], room: &mut Room) -> Row {
    // A lane without a block runs along with the last one.
    let sources: [Source<'_>; LANES] = std::array::from_fn(|lane| blocks[lane.min(blocks.len() - 1)].source);
    let cut = sources[0].cut;
    room.edges.resize(LANES * cut.span(), 0.0);
    room.spill.resize(LANES * cut.block, 0.0);
    room.rows.resize(cut.early + cut.block, [0.0; LANES]);
    let mut edges = room.edges.chunks_mut(cut.span());
    let mut spill = room.spill.chunks_mut(cut.block);
    let mut results = blocks.iter_mut().map(|block| &mut *block.filtered);
    let mut partial: [Option<&mut [f64]>; LANES] = Default::default();
    let mut lanes = Lanes {
        early: cut.early,
        values: sources.map(|source| source.samples(edges.next().unwrap_or_default())),
        ends: sources.map(Source::end),
        filtered: std::array::from_fn(|lane| match results.next() {
            Some(whole) if whole.len() == cut.block => whole,
            part => {
                partial[lane] = part;
                spill.next().unwrap_or_default()
            }
        }),
    };
    let last = match sections {
        [a] => run(level, [*a], &mut lanes, &mut room.rows),
        [a, b] => run(level, [*a, *b], &mut lanes, &mut room.rows),
        [a, b, c] => run(level, [*a, *b, *c], &mut lanes, &mut room.rows),
        [a, b, c, d] => run(level, [*a, *b, *c, *d], &mut lanes, &mut room.rows),
        _ => unreachable!("orders are 1 to 8"),
    };
    for (part, result) in partial.into_iter().zip(lanes.filtered) {
        if let Some(part) = part {
            part.copy_from_slice(&result[..part.len()]);
        }
    }
    last
}

impl<'a> Source<'a> {
    /// Samples of the block with those before and behind; at the ends of a series laid out in `edge`, the series taken to
    /// stay at its first and last value.
    fn samples(self, edge: &'a mut [f64]) -> &'a [f64] {
        let start = self.from.checked_sub(self.cut.early);
        if let Some(inside) = start.and_then(|start| self.values.get(start..start + self.cut.span())) {
            return inside;
        }
        let last = self.values.len() - 1;
        for (k, value) in edge.iter_mut().enumerate() {
            *value = self.values[(self.from + k).saturating_sub(self.cut.early).min(last)];
        }
        edge
    }

    /// Where the series ends in them.
    fn end(self) -> usize {
        (self.cut.early + self.values.len() - self.from).min(self.cut.span())
    }
}

fn run<const N: usize>(level: Level, sections: [Section; N], lanes: &mut Lanes<'_, '_>, rows: &mut [Row]) -> Row {
    dispatch!(level, simd => {
        let last = forward(simd, sections, lanes, rows);
        backward(simd, sections, lanes, rows);
        last
    })
}

/// Last two inputs and outputs of each section.
#[derive(Clone, Copy)]
struct Memory<S: Simd, const N: usize>([[Wide<S>; 4]; N]);

impl<S: Simd, const N: usize> Memory<S, N> {
    /// As after a long time at these values: the gain at zero frequency is 1.
    #[inline(always)]
    fn settled_at(values: Wide<S>) -> Self {
        Self([[values; 4]; N])
    }

    #[inline(always)]
    fn step(&mut self, sections: &[Section; N], input: Wide<S>) -> Wide<S> {
        let mut value = input;
        for (section, memory) in sections.iter().zip(&mut self.0) {
            let output = [next(section, memory, value, 0), next(section, memory, value, 1)];
            *memory = [value, memory[0], output, memory[2]];
            value = output;
        }
        value
    }
}

/// A section's output in one of the registers. Here and below no closure: it would not be compiled for the instructions at
/// hand.
#[inline(always)]
fn next<S: Simd>(section: &Section, [x1, x2, y1, y2]: &[Wide<S>; 4], value: Wide<S>, h: usize) -> f64x4<S> {
    let ([b0, b1, b2], [a1, a2]) = (section.b, section.a);
    // What is known before the last output stands in front: only one product and one sum wait for it.
    ((value[h] * b0 + x1[h] * b1) + (x2[h] * b2 - y2[h] * a2)) - y1[h] * a1
}

/// First pass: from the series into `rows`, which begin where the block does.
#[inline(always)]
fn forward<S: Simd, const N: usize>(simd: S, sections: [Section; N], lanes: &Lanes<'_, '_>, rows: &mut [Row]) -> Row {
    let turns = (lanes.early + rows.len()) / TURN;
    let values = lanes.values.map(|values| &values.as_chunks::<TURN>().0[..turns]);
    let first: Row = std::array::from_fn(|lane| lanes.values[lane][0]);
    let mut memory = Memory::<S, N>::settled_at(load(simd, &first));
    let early = lanes.early / TURN;
    for turn in 0..early {
        for row in gathered(simd, &values, turn) {
            memory.step(&sections, row);
        }
    }
    for (four, turn) in rows.as_chunks_mut::<TURN>().0.iter_mut().zip(early..) {
        for (row, input) in four.iter_mut().zip(gathered(simd, &values, turn)) {
            store(memory.step(&sections, input), row);
        }
    }
    // Behind the end of a series its result is taken to stay.
    for (lane, end) in lanes.ends.iter().map(|end| end - lanes.early).enumerate() {
        let last = rows[end - 1][lane];
        rows[end..].iter_mut().for_each(|row| row[lane] = last);
    }
    rows[rows.len() - 1]
}

/// Second pass: from `rows` into the results.
#[inline(always)]
fn backward<S: Simd, const N: usize>(simd: S, sections: [Section; N], lanes: &mut Lanes<'_, '_>, rows: &[Row]) {
    let block = rows.len() - lanes.early;
    let mut memory = Memory::<S, N>::settled_at(load(simd, &rows[rows.len() - 1]));
    for row in rows[block..].iter().rev() {
        memory.step(&sections, load(simd, row));
    }
    let [a, b, c, d, e, f, g, h] =
        lanes.filtered.each_mut().map(|lane| lane.as_chunks_mut::<TURN>().0.iter_mut().rev());
    let results = a.zip(b).zip(c.zip(d)).zip(e.zip(f).zip(g.zip(h)));
    for (four, (((a, b), (c, d)), ((e, f), (g, h)))) in rows[..block].as_chunks::<TURN>().0.iter().rev().zip(results) {
        let mut output = [[f64x4::splat(simd, 0.0); 2]; TURN];
        for (row, output) in four.iter().zip(&mut output).rev() {
            *output = memory.step(&sections, load(simd, row));
        }
        let [of_a, of_b, of_c, of_d] = turned(simd, [output[0][0], output[1][0], output[2][0], output[3][0]]);
        let [of_e, of_f, of_g, of_h] = turned(simd, [output[0][1], output[1][1], output[2][1], output[3][1]]);
        [&*a, &*b, &*c, &*d, &*e, &*f, &*g, &*h].into_iter().for_each(|place| room::fetch_before(place, AHEAD));
        (*a, *b, *c, *d) = (of_a.into(), of_b.into(), of_c.into(), of_d.into());
        (*e, *f, *g, *h) = (of_e.into(), of_f.into(), of_g.into(), of_h.into());
    }
}

/// Four rows of what stands in eight series.
#[inline(always)]
fn gathered<S: Simd>(simd: S, values: &[&[[f64; TURN]]; LANES], turn: usize) -> [Wide<S>; TURN] {
    let [a, b, c, d, e, f, g, h] = values;
    let low = turned(simd, [four(simd, a, turn), four(simd, b, turn), four(simd, c, turn), four(simd, d, turn)]);
    let high = turned(simd, [four(simd, e, turn), four(simd, f, turn), four(simd, g, turn), four(simd, h, turn)]);
    [[low[0], high[0]], [low[1], high[1]], [low[2], high[2]], [low[3], high[3]]]
}

#[inline(always)]
fn four<S: Simd>(simd: S, values: &[[f64; TURN]], turn: usize) -> f64x4<S> {
    f64x4::simd_from(simd, values[turn])
}

/// Rows for columns.
#[inline(always)]
fn turned<S: Simd>(simd: S, rows: [f64x4<S>; 4]) -> [f64x4<S>; 4] {
    let (even_low, even_high) = simd.interleave_f64x4(rows[0], rows[2]);
    let (odd_low, odd_high) = simd.interleave_f64x4(rows[1], rows[3]);
    let (first, second) = simd.interleave_f64x4(even_low, odd_low);
    let (third, fourth) = simd.interleave_f64x4(even_high, odd_high);
    [first, second, third, fourth]
}

#[inline(always)]
fn load<S: Simd>(simd: S, row: &Row) -> Wide<S> {
    let halves = row.as_chunks::<TURN>().0;
    [f64x4::simd_from(simd, halves[0]), f64x4::simd_from(simd, halves[1])]
}

#[inline(always)]
fn store<S: Simd>(values: Wide<S>, row: &mut Row) {
    for (half, values) in row.as_chunks_mut::<TURN>().0.iter_mut().zip(values) {
        *half = values.into();
    }
}
