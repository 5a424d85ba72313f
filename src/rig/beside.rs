//! Parts beside a place, and what they are rated for.

use super::model::{Rating, Rig};
use crate::hydraulics::spec::Place;

impl Rig {
    /// Every element that touches a place, with its rating.
    pub fn rated_beside(&self, place: Place) -> impl Iterator<Item = (&str, Rating)> {
        let elements = self.network.elements.iter().zip(&self.ratings).enumerate();
        let touches = move |index: usize, from: usize, to: usize| match place {
            Place::Node(node) => from == node || to == node,
            Place::Pipe { element, .. } => element == index,
        };
        elements
            .filter(move |(index, (element, _))| touches(*index, element.from, element.to))
            .map(|(_, (element, rating))| (element.name.as_str(), *rating))
    }
}
