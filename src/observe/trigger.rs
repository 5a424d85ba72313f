//! Triggers on channels and registers. They fire when a condition begins to hold, not while it holds, and are armed again
//! once it has not held for a while, so that noise about a limit makes one event and not a thousand.

use super::Registers;
use crate::acquisition::Input;
use crate::rig::observing::{Trigger, TriggerOn};
use crate::signal::Block;
use std::collections::VecDeque;

/// A level trigger is armed again after this long on the other side, s.
const REARM_S: f64 = 0.1;
/// A slope is read between means of this many pieces of its time.
const PIECES: usize = 16;

/// A trigger that fired.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fired {
    /// Index of the trigger.
    pub trigger: usize,
    /// Frame at which it did.
    pub frame: u64,
}

/// Holds or not, with the way back.
#[derive(Debug, Clone)]
struct Edge {
    /// Frames that must pass without the condition.
    rearm: u64,
    /// Frames since the condition last held; begins unarmed.
    clear: u64,
}

impl Edge {
    fn new(rearm: u64) -> Self {
        Self { rearm: rearm.max(1), clear: 0 }
    }

    /// Takes one look that stands for `frames`; true where the condition begins.
    fn look(&mut self, holds: bool, frames: u64) -> bool {
        if !holds {
            self.clear = self.clear.saturating_add(frames);
            return false;
        }
        std::mem::take(&mut self.clear) >= self.rearm
    }
}

#[derive(Debug, Clone)]
enum State {
    Level { input: Input, above: Option<f64>, below: Option<f64>, edge: Edge },
    Slope { input: Input, change: f64, width: u64, sum: f64, frames: u64, means: VecDeque<f64>, edge: Edge },
    Field { device: usize, role: crate::rig::register_map::Role, becomes: u64, last: Option<u64> },
}

/// All triggers of a session. Memory is fixed.
#[derive(Debug, Clone)]
pub struct Triggers(Vec<State>);

impl Triggers {
    /// Armed once their condition has been seen not to hold.
    pub fn new(triggers: &[Trigger], inputs: &[Input], rate_hz: f64) -> Self {
        let state = |trigger: &Trigger| {
            Some(match &trigger.on {
                TriggerOn::Level { channel, above, below } => State::Level {
                    input: *inputs.get(*channel)?,
                    above: *above,
                    below: *below,
                    edge: Edge::new((REARM_S * rate_hz) as u64),
                },
                TriggerOn::Slope { channel, change, within_s } => {
                    let width = ((within_s * rate_hz / PIECES as f64).round() as u64).max(1);
                    State::Slope {
                        input: *inputs.get(*channel)?,
                        change: *change,
                        width,
                        sum: 0.0,
                        frames: 0,
                        means: VecDeque::with_capacity(PIECES + 1),
                        edge: Edge::new(width * PIECES as u64),
                    }
                }
                TriggerOn::Field { device, role, becomes } => {
                    State::Field { device: *device, role: *role, becomes: *becomes, last: None }
                }
            })
        };
        Self(triggers.iter().filter_map(state).collect())
    }

    /// Looks at a block and at the registers as they are at its end.
    pub fn look(&mut self, block: &Block, registers: &dyn Registers) -> Vec<Fired> {
        let mut fired = Vec::new();
        for (trigger, state) in self.0.iter_mut().enumerate() {
            fired.extend(state.look(block, registers).map(|frame| Fired { trigger, frame }));
        }
        fired.sort_by_key(|fired| fired.frame);
        fired
    }
}

impl State {
    /// First frame of the block at which it fires.
    fn look(&mut self, block: &Block, registers: &dyn Registers) -> Option<u64> {
        let end_frame = block.first_frame + block.frames() as u64;
        match self {
            Self::Level { input, above, below, edge } => {
                let beyond = |v: f64| above.is_some_and(|limit| v > limit) || below.is_some_and(|limit| v < limit);
                let mut first = None;
                for (frame, value) in samples(block, input) {
                    if edge.look(beyond(value), 1) {
                        first = first.or(Some(frame));
                    }
                }
                first
            }
            Self::Slope { input, change, width, sum, frames, means, edge } => {
                if block.missing_before > 0 {
                    means.clear();
                    (*sum, *frames) = (0.0, 0);
                }
                let mut first = None;
                for (frame, value) in samples(block, input) {
                    (*sum, *frames) = (*sum + value, *frames + 1);
                    if *frames < *width {
                        continue;
                    }
                    means.push_back(*sum / *frames as f64);
                    (*sum, *frames) = (0.0, 0);
                    if means.len() <= PIECES {
                        continue;
                    }
                    let since = means.back().copied().unwrap_or(0.0) - means.pop_front().unwrap_or(0.0);
                    let holds = if *change > 0.0 { since >= *change } else { since <= *change };
                    if edge.look(holds, *width) {
                        first = first.or(Some(frame));
                    }
                }
                first
            }
            Self::Field { device, role, becomes, last } => {
                let now = registers.value(*device, *role)?;
                let before = last.replace(now);
                let begins = now == *becomes && before.is_some_and(|before| before != now);
                begins.then(|| end_frame.saturating_sub(1))
            }
        }
    }
}

/// Samples of one channel with their frames, SI.
pub(super) fn samples<'a>(block: &'a Block, input: &Input) -> impl Iterator<Item = (u64, f64)> + use<'a> {
    let scaling = input.scaling;
    let counts = block.counts.iter().skip(input.position).step_by(block.channels.max(1));
    (block.first_frame..).zip(counts).map(move |(frame, &counts)| (frame, scaling.to_si(counts)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rig::register_map::Role;
    use crate::signal::Scaling;
    use std::cell::Cell;

    const RATE_HZ: f64 = 1_000.0;

    struct Bus(Cell<Option<u64>>);

    impl Registers for Bus {
        fn value(&self, _: usize, _: Role) -> Option<u64> {
            self.0.get()
        }
        fn is_running(&self, _: usize) -> Option<bool> {
            None
        }
        fn ids(&self) -> Vec<String> {
            Vec::new()
        }
        fn is_virtual(&self) -> bool {
            false
        }
        fn links(&self) -> Vec<crate::sequence::ports::LinkStatistics> {
            Vec::new()
        }
    }

    fn triggers(on: TriggerOn) -> Triggers {
        let input = Input::plain(0, Scaling { scale: 1.0, offset: 0.0 });
        Triggers::new(&[Trigger { id: "t".into(), on }], &[input], RATE_HZ)
    }

    /// Fires at these frames, however the series is cut into blocks.
    fn fires(on: &TriggerOn, values: &[i32], block: usize) -> Vec<u64> {
        let (mut triggers, mut fired, bus) = (triggers(on.clone()), Vec::new(), Bus(Cell::new(None)));
        for (k, counts) in values.chunks(block).enumerate() {
            let first_frame = (k * block) as u64;
            let block =
                Block { first_frame, missing_before: 0, channels: 1, counts: counts.to_vec(), arrived_wall_ns: 0 };
            fired.extend(triggers.look(&block, &bus).iter().map(|fired| fired.frame));
        }
        fired
    }

    #[test]
    fn fires_once_where_a_level_is_passed_and_not_for_noise_about_it() {
        let on = TriggerOn::Level { channel: 0, above: Some(50.0), below: None };
        let noisy = |k: i32| if k % 2 == 0 { 49 } else { 51 };
        let values: Vec<i32> = (0..2000)
            .map(|k| {
                if k < 500 {
                    0
                } else if k < 900 {
                    noisy(k)
                } else {
                    k % 3
                }
            })
            .collect();
        for block in [1, 7, 100, 2000] {
            assert_eq!(fires(&on, &values, block), vec![501], "blocks of {block}");
        }
        let always = vec![60; 500];
        assert_eq!(fires(&on, &always, 10), Vec::<u64>::new(), "what holds from the beginning did not begin");
    }

    #[test]
    fn fires_on_a_rise_within_its_time_and_on_no_slower_one() {
        let on = TriggerOn::Slope { channel: 0, change: 100.0, within_s: 0.16 };
        let ramp =
            |per_frame: i32| (0..3000).map(move |k: i32| per_frame * (k - 1000).clamp(0, 1000)).collect::<Vec<_>>();
        let slow: Vec<i32> = (0..3000).map(|k: i32| (k - 1000).clamp(0, 1000) / 2).collect();
        for block in [1, 13, 640] {
            let fast = fires(&on, &ramp(1), block);
            assert_eq!(fast.len(), 1, "160 within 0.16 s: {fast:?}");
            assert!((1090..1130).contains(&fast[0]), "100 are reached about 1 100: {fast:?}");
            assert_eq!(fires(&on, &slow, block), Vec::<u64>::new(), "80 within 0.16 s");
            assert_eq!(fires(&on, &ramp(-1), block), Vec::<u64>::new(), "a fall");
        }
        let fall = TriggerOn::Slope { channel: 0, change: -100.0, within_s: 0.16 };
        assert_eq!(fires(&fall, &ramp(-1), 50).len(), 1);
    }

    #[test]
    fn fires_when_a_register_comes_to_its_value_and_not_when_it_is_first_seen_there() {
        let mut triggers = triggers(TriggerOn::Field { device: 0, role: Role::Running, becomes: 1 });
        let bus = Bus(Cell::new(None));
        let block = Block { first_frame: 0, missing_before: 0, channels: 1, counts: vec![0; 10], arrived_wall_ns: 0 };
        let mut look = |value| {
            bus.0.set(value);
            triggers.look(&block, &bus).len()
        };
        let seen = [None, Some(1), Some(1), Some(0), Some(1), None, Some(1)].map(&mut look);
        assert_eq!(seen, [0, 0, 0, 0, 1, 0, 0]);
    }
}
