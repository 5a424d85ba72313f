//! The face that ordered the run may be lost: the step that is on ends, no start follows, and unless the face is back the
//! run stops after the rig's `grace`. A run that nobody ordered from afar has no face to lose.

use super::{Abort, Run, seconds};
use crate::sequence::ports::Level;
use crate::sequence::step::{Phase, Step};

/// A face that is lost.
#[derive(Debug, Clone, Copy)]
pub(super) struct LostFace {
    /// Instruction that was on.
    at: usize,
    /// Wall time at which its step had ended, ns.
    over_ns: Option<u64>,
}

impl Run<'_> {
    /// The face that ordered the run is lost, or here again.
    pub(super) fn face(&mut self, here: bool) {
        match (here, self.lost_face) {
            (true, Some(_)) => {
                self.lost_face = None;
                self.event(Level::Notice, "the face that ordered this run is back");
            }
            (false, None) => {
                // A step that only a person ends is over now: nobody may be there to end it, and the motor may be on.
                let over_ns = self.waits_for_a_person().then(|| self.input.wall.now_ns());
                self.lost_face = Some(LostFace { at: self.state.at, over_ns });
                let grace_s = self.input.rig.grace_s;
                let text = format!(
                    "the face that ordered this run is lost: this step ends, no start follows, and {grace_s} s later the run stops"
                );
                self.event(Level::Caution, text);
            }
            _ => {}
        }
    }

    fn waits_for_a_person(&self) -> bool {
        let on = self.input.script.program.get(self.state.at).map(|instruction| &instruction.step);
        matches!(on, Some(Step::Ask(_) | Step::Confirm(_) | Step::LineUp(_)))
            || matches!(self.state.phase, Phase::Looking(_))
    }

    /// Its step has ended and `grace` is over.
    pub(super) fn face_lost(&mut self) -> Option<Abort> {
        let (now_ns, at) = (self.input.wall.now_ns(), self.state.at);
        let lost = self.lost_face.as_mut()?;
        if lost.over_ns.is_none() && at != lost.at {
            lost.over_ns = Some(now_ns);
        }
        let waited_s = seconds(now_ns.saturating_sub(lost.over_ns?));
        let grace_s = self.input.rig.grace_s;
        (waited_s >= grace_s).then(|| {
            Abort::because(format!(
                "the face that ordered this run is lost and was not back {grace_s} s after its step"
            ))
        })
    }

    /// Nothing is started for a face that is lost.
    pub(super) fn start_for_nobody(&self) -> Result<(), Abort> {
        match self.lost_face {
            Some(_) => Err(Abort::because("no start: the face that ordered this run is lost")),
            None => Ok(()),
        }
    }
}
