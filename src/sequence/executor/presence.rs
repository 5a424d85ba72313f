//! The presence check of a long series: a start needs somebody who has given a sign of life within the rig's interval.

use super::{Abort, PRESENCE_QUESTION, Run};
use crate::sequence::ports::Level;

impl Run<'_> {
    /// Somebody who is there has just answered.
    pub(super) fn somebody_is_there(&mut self) {
        self.present_ns = self.input.wall.now_ns();
    }

    /// Before a start: where nobody has answered for longer than the rig allows, the motor stays off until somebody does.
    /// A stop, a take-over or the emergency stop end the wait. A name given beforehand is no sign of life.
    pub(super) fn check_presence(&mut self, starter: usize) -> Result<(), Abort> {
        let silent_s = super::seconds(self.input.wall.now_ns().saturating_sub(self.present_ns));
        let Some(limit_s) = self.input.rig.presence_check_s.filter(|limit_s| silent_s > *limit_s) else {
            return Ok(());
        };
        let (name, minutes, limit) = (self.input.attending.clone(), silent_s / 60.0, limit_s / 60.0);
        let text = format!(
            "{name}: nobody has answered for {minutes:.0} min (presence_check {limit:.0} min). Somebody is at the rig, and the \
             next start may come"
        );
        self.event(Level::Notice, "the next start waits for somebody at the rig".to_owned());
        self.answered(PRESENCE_QUESTION, &text)?;
        self.somebody_is_there();
        // The wait may have been long: what forbids a start is looked at again.
        self.forbidden(starter).map_or(Ok(()), Err)
    }
}
