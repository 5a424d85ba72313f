//! Faces by name: which of those that may order a run are there. A run that hangs on one is told when it is lost and when
//! it is back.

use super::{Shared, locked};
use crate::sequence::ports::OperatorOrder;
use std::collections::BTreeMap;

/// Subscriptions by name of the face.
#[derive(Debug, Default)]
pub(super) struct Faces(BTreeMap<String, usize>);

impl Faces {
    fn comes(&mut self, face: &str) {
        *self.0.entry(face.to_owned()).or_insert(0) += 1;
    }

    fn goes(&mut self, face: &str) {
        if let Some(count) = self.0.get_mut(face) {
            *count -= 1;
            if *count == 0 {
                self.0.remove(face);
            }
        }
    }

    fn is_here(&self, face: &str) -> bool {
        self.0.contains_key(face)
    }
}

impl Shared {
    /// A face of this name has subscribed.
    pub(super) fn face_comes(&self, face: &str) {
        locked(&self.faces).comes(face);
        self.tell_run_of_its_face();
    }

    /// One of its subscriptions has ended.
    pub(super) fn face_goes(&self, face: &str) {
        locked(&self.faces).goes(face);
        self.tell_run_of_its_face();
    }

    /// Say to the run that is on whether the face that ordered it is there.
    pub(super) fn tell_run_of_its_face(&self) {
        let view = locked(&self.view);
        let Some(run) = view.run.as_ref().filter(|run| run.end.is_none()) else { return };
        if let Some(face) = &run.face {
            let here = locked(&self.faces).is_here(face);
            run.desk.order(OperatorOrder::Face { here });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_face_is_here_until_its_last_subscription_has_ended() {
        let mut faces = Faces::default();
        faces.comes("a");
        faces.comes("a");
        faces.goes("a");
        faces.goes("b");
        assert!(faces.is_here("a") && !faces.is_here("b"));
        faces.goes("a");
        assert!(!faces.is_here("a"));
    }
}
