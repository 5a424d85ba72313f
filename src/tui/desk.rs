//! What the person at the terminal has chosen: the screen, the units, what would be started, a number being typed, and whether
//! the controls are held here.

use super::picture::Picture;
use crate::api::stage::Grant;
use crate::units::display::System;

/// A question has to be shown for so long before a key answers it, and so long has to pass between two such keys: a key that
/// is held down answers once.
const SEEN_NS: u64 = 800_000_000;
const APART_NS: u64 = 300_000_000;

/// The screens.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Shown {
    /// What a start needs, and what would be started.
    #[default]
    Ready,
    /// The live trace over the prediction.
    Run,
    /// Cycles and starters so far.
    Results,
    /// What happened.
    Log,
    /// Keys.
    Help,
}

impl Shown {
    /// All, in the order of their keys.
    pub const ALL: [Self; 5] = [Self::Ready, Self::Run, Self::Results, Self::Log, Self::Help];

    /// Key and name.
    pub fn label(self) -> (char, &'static str) {
        match self {
            Self::Ready => ('1', "Ready"),
            Self::Run => ('2', "Run"),
            Self::Results => ('3', "Results"),
            Self::Log => ('4', "Log"),
            Self::Help => ('h', "Help"),
        }
    }
}

/// The person's side of the screen.
#[derive(Debug, Clone, Default)]
pub struct Desk {
    /// Screen.
    pub shown: Shown,
    /// Units.
    pub system: System,
    /// Who sits here.
    pub name: Option<String>,
    /// The controls, while held here.
    pub held: Option<Grant>,
    /// Sequence that a start would play, index into the rig's.
    pub sequence: usize,
    /// Starter that it would go through, index into the snapshot's.
    pub starter: usize,
    /// Lines that a long text is moved up by.
    pub scroll: usize,
    /// A guess being typed.
    pub typed: Option<String>,
    /// What came of the latest key.
    pub notice: Option<String>,
    /// A run that was started here hangs on this terminal: its number.
    pub own_run: Option<u32>,
    /// The person was told what leaving means.
    pub warned: bool,
    /// The question that waits and since when it is shown, wall ns.
    pub question: Option<(u32, u64)>,
    /// When a key answered last, wall ns.
    pub answered_ns: Option<u64>,
}

impl Desk {
    /// For a person, in these units.
    pub fn of(name: Option<String>, system: System) -> Self {
        Self { name, system, ..Self::default() }
    }

    /// Go to a screen.
    pub fn show(&mut self, shown: Shown) {
        (self.shown, self.scroll) = (shown, 0);
    }

    /// Look at what has come: a question that is new counts as seen from now on.
    pub fn look(&mut self, picture: &Picture, now_ns: u64) {
        let waits = picture.question().map(|(id, _)| *id);
        if waits != self.question.map(|(id, _)| id) {
            self.question = waits.map(|id| (id, now_ns));
        }
    }

    /// The question that a key answers now; the reason where it answers none.
    ///
    /// # Errors
    /// Nothing waits, it has hardly been shown, or the key is held down.
    pub fn answers(&mut self, now_ns: u64) -> Result<u32, &'static str> {
        let before = self.answered_ns.replace(now_ns);
        let Some((id, since_ns)) = self.question else { return Err("nothing waits for a confirmation") };
        if now_ns.saturating_sub(since_ns) < SEEN_NS || before.is_some_and(|at| now_ns.saturating_sub(at) < APART_NS) {
            return Err("read the question first, then press c once");
        }
        Ok(id)
    }

    /// Move within the screen: what would be started, the channel, the text.
    pub fn move_by(&mut self, picture: &mut Picture, (across, along): (isize, isize)) {
        match self.shown {
            Shown::Ready => {
                let sequences = picture.rig.as_ref().map_or(0, |rig| rig.sequences.len());
                self.sequence = stepped(self.sequence, along, sequences);
                let starters = picture.snapshot.as_ref().map_or(0, |snapshot| snapshot.starters.len());
                self.starter = stepped(self.starter, across, starters);
            }
            Shown::Run => {
                let channels = picture.snapshot.as_ref().map_or(0, |snapshot| snapshot.channels.len());
                picture.choose(stepped(picture.chosen, across + along, channels));
            }
            Shown::Results | Shown::Log | Shown::Help => self.turn(along),
        }
    }

    /// How far a text that ends at the bottom is moved back, of at most `most` lines.
    pub(super) fn scroll_up(&self, most: usize) -> usize {
        self.scroll.min(most)
    }

    /// Move a long text.
    pub fn turn(&mut self, by: isize) {
        // The log begins at its end.
        let by = if self.shown == Shown::Log { -by } else { by };
        self.scroll = self.scroll.saturating_add_signed(by);
    }
}

/// One further in a ring.
fn stepped(from: usize, by: isize, of: usize) -> usize {
    match isize::try_from(of) {
        Ok(of @ 1..) => (from as isize + by).rem_euclid(of).unsigned_abs(),
        _ => 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_a_question_once_however_long_the_key_is_held() {
        let mut desk = Desk { question: Some((7, 0)), ..Desk::default() };
        assert!(desk.answers(SEEN_NS - 1).is_err(), "hardly shown");
        assert!(desk.answers(SEEN_NS).is_err(), "pressed again at once");
        let pressed = SEEN_NS + APART_NS;
        assert_eq!(desk.answers(pressed), Ok(7));
        // The next question comes up under the finger; a keyboard repeats after 0.25 s to 0.7 s, then some 30 times a second.
        desk.question = Some((8, pressed + 50_000_000));
        for repeat in 0..100 {
            assert!(desk.answers(pressed + 660_000_000 + repeat * 33_000_000).is_err(), "repeat {repeat}");
        }
        assert_eq!(desk.answers(pressed + 10_000_000_000), Ok(8));
        desk.question = None;
        assert!(desk.answers(pressed + 20_000_000_000).is_err());
    }

    #[test]
    fn steps_round_and_stays_where_there_is_nothing() {
        assert_eq!([stepped(2, 1, 3), stepped(0, -1, 3), stepped(5, 1, 0)], [0, 2, 0]);
    }
}
