//! Whatever happens on a run's thread, the motor is told to stop.

use crate::sequence::ports::StopLine;
use crate::starters::StopKind;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

/// Do `work`; where it panics, pull every line that may turn the motor and give `None`.
pub(super) fn or_stop<T>(lines: &[Arc<dyn StopLine>], work: impl FnOnce() -> T) -> Option<T> {
    let outcome = catch_unwind(AssertUnwindSafe(work)).ok();
    if outcome.is_none() {
        for line in lines {
            line.stop(StopKind::Coast, "internal fault of the executor");
        }
    }
    outcome
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sequence::ports::Heard;

    #[test]
    fn stops_every_starter_of_a_run_that_panics_and_none_of_one_that_ends() {
        let lines = [Arc::new(Heard::default()), Arc::new(Heard::default())];
        let all = lines.clone().map(|line| line as Arc<dyn StopLine>);
        assert_eq!(or_stop(&all, || 7), Some(7));
        assert!(lines.iter().all(|line| line.0.lock().unwrap().is_empty()));
        assert_eq!(or_stop(&all, || -> u8 { panic!("on purpose") }), None);
        for line in &lines {
            let said = line.0.lock().unwrap().clone();
            assert_eq!(said, [(StopKind::Coast, "internal fault of the executor".to_owned())]);
        }
    }
}
