//! What is kept of a group: samples of each lane, read at common times whatever its steps, and events.
#![allow(unsafe_code, reason = "a kernel in vector instructions; see the SAFETY line")]

#[cfg(target_arch = "x86_64")]
mod turned;

use super::isa::Isa;
use super::place::Lanes;
use super::row::Row;
use super::sample::samples_within;
use crate::hydraulics::plant::{PlantEvent, PlantEventKind};

/// Samples straight between the levels before and after their time: lane by lane, in each one row of all probes a sample.
#[repr(C, align(64))]
pub(super) struct Rows<const W: usize> {
    /// Time of each lane's next sample; never again once all are taken.
    next_s: Lanes<W>,
    taken: [usize; W],
    /// The newest sample of each probe.
    line: Vec<Row<W>>,
    until_s: f64,
    every_s: f64,
    count: usize,
    values: Vec<f64>,
    pub(super) events: Vec<Vec<PlantEvent>>,
}

impl<const W: usize> Rows<W> {
    /// The samples at time zero are those shown; `values` is room used before.
    pub(super) fn new(shown: &[Row<W>], (until_s, every_s): (f64, f64), mut values: Vec<f64>) -> Self {
        let count = samples_within(until_s, every_s);
        values.resize(count * shown.len() * W, 0.0);
        for lane in 0..W {
            let first = &mut values[lane * count * shown.len()..];
            first.iter_mut().zip(shown).for_each(|(value, shown)| *value = shown[lane]);
        }
        let next_s = if count > 1 { every_s } else { f64::INFINITY };
        let events = (0..W).map(|_| Vec::new()).collect();
        Self { line: shown.to_vec(), until_s, every_s, count, taken: [1; W], next_s: [next_s; W], values, events }
    }

    /// Time of a lane's next sample or of the end, s.
    #[inline(always)]
    pub(super) fn next_s(&self, lane: usize) -> f64 {
        if self.next_s[lane] < self.until_s { self.next_s[lane] } else { self.until_s }
    }

    /// From a time to the end, s.
    pub(super) fn left_s(&self, time_s: f64) -> f64 {
        self.until_s - time_s
    }

    /// A lane has all its samples and has come to the end.
    #[inline(always)]
    pub(super) fn is_complete(&self, lane: usize, time_s: f64) -> bool {
        self.next_s[lane].is_infinite() && time_s >= self.until_s
    }

    /// Samples lie less than some steps of this length apart.
    pub(super) fn is_dense(&self, steps_s: f64) -> bool {
        self.every_s < steps_s
    }

    /// Some lane has a sample at or before these times.
    #[inline(always)]
    pub(super) fn is_due(&self, times_s: &Lanes<W>) -> bool {
        let mut due = false;
        for l in 0..W {
            due |= self.next_s[l] <= times_s[l];
        }
        due
    }

    /// Samples between two levels of all lanes that go on.
    #[inline(always)]
    pub(super) fn take<I: Isa>(
        &mut self,
        (before_s, now_s): (&Lanes<W>, &Lanes<W>),
        [before, now]: &[Vec<Row<W>>; 2],
        unsound: &[bool; W],
    ) {
        let (mut due, mut any) = ([false; W], false);
        for l in 0..W {
            due[l] = self.next_s[l] <= now_s[l] && !unsound[l];
            any |= due[l];
        }
        while any {
            let mut share = [0.0; W];
            for l in 0..W {
                share[l] = (self.next_s[l] - before_s[l]) / (now_s[l] - before_s[l]);
            }
            let lines = (&before[..], &now[..], &share);
            if I::EIGHT && turned::suits(W) {
                let probes = before.len();
                let mut from = [0; W];
                for l in 0..W {
                    from[l] = (l * self.count + self.taken[l]) * probes;
                }
                // SAFETY: the caller stands where AVX-512 was found.
                unsafe { turned::put(&mut self.values, (&from, &due), lines) };
            } else {
                self.put(&due, lines);
            }
            any = false;
            for l in 0..W {
                self.taken[l] += usize::from(due[l]);
                let next_s = self.taken[l] as f64 * self.every_s;
                self.next_s[l] = if self.taken[l] < self.count { next_s } else { f64::INFINITY };
                due[l] &= self.next_s[l] <= now_s[l];
                any |= due[l];
            }
        }
    }

    /// One row of each lane that is due.
    #[inline(always)]
    fn put(&mut self, due: &[bool; W], (before, now, share): (&[Row<W>], &[Row<W>], &Lanes<W>)) {
        for ((line, before), now) in self.line.iter_mut().zip(before).zip(now) {
            for l in 0..W {
                line[l] = before[l] + share[l] * (now[l] - before[l]);
            }
        }
        let probes = self.line.len();
        for lane in 0..W {
            if !due[lane] {
                continue;
            }
            let from = (lane * self.count + self.taken[lane]) * probes;
            let row = &mut self.values[from..from + probes];
            row.iter_mut().zip(&self.line).for_each(|(value, line)| *value = line[lane]);
        }
    }

    pub(super) fn note(&mut self, lane: usize, time_s: f64, kind: PlantEventKind) {
        if time_s <= self.until_s {
            self.events[lane].push(PlantEvent { time_s, kind });
        }
    }

    /// All samples, and the events of each lane.
    pub(super) fn finish(self) -> (Vec<f64>, Vec<Vec<PlantEvent>>) {
        (self.values, self.events)
    }
}

#[cfg(not(target_arch = "x86_64"))]
mod turned {
    use super::{Lanes, Row};

    pub(super) fn suits(_lanes: usize) -> bool {
        false
    }

    pub(super) unsafe fn put<const W: usize>(
        _values: &mut [f64],
        _to: (&[usize; W], &[bool; W]),
        _lines: (&[Row<W>], &[Row<W>], &Lanes<W>),
    ) {
    }
}
