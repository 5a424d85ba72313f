//! The hands at the valves of the virtual bench: somebody walks there, sets a line-up, and says so.
//!
//! They are told over the bus (`line_up_select` of the bench unit) or by a control line, obey while nothing is on, wait until
//! the shaft stands, and need [`WALK_S`] of rig time; until then the bench stands in no line-up.

use super::registers::Refusal;
use crate::virtual_rig::VirtualRigError;
use crate::virtual_rig::bench::Bench;

/// From the order to the last valve, s of rig time.
const WALK_S: f64 = 2.0;

/// The hands, and how the valves stand.
#[derive(Debug, Clone)]
pub struct Hands {
    ids: Vec<String>,
    stands: usize,
    way: Option<(usize, f64)>,
}

impl Hands {
    /// At a bench with these line-ups that stands in one of them.
    pub fn new(ids: Vec<String>, stands: usize) -> Self {
        Self { ids, stands, way: None }
    }

    /// Number of a line-up, from 1.
    pub fn number(&self, id: &str) -> Option<u16> {
        let place = self.ids.iter().position(|known| known == id)?;
        u16::try_from(place + 1).ok()
    }

    /// Number of the line-up that stands, from 1; 0 while a hand is at the valves.
    pub fn stands(&self) -> u16 {
        if self.way.is_some() { 0 } else { u16::try_from(self.stands + 1).unwrap_or(0) }
    }

    /// Ask for a line-up, from 1; the one that stands is seen to again, in no time.
    pub fn order(&mut self, number: u64, nothing_on: bool) -> Result<(), Refusal> {
        let wanted = usize::try_from(number).ok().and_then(|number| number.checked_sub(1));
        let wanted = wanted.filter(|wanted| *wanted < self.ids.len()).ok_or(Refusal::Value)?;
        if !nothing_on {
            return Err(Refusal::State);
        }
        let again = self.way.is_none() && wanted == self.stands;
        self.way = Some((wanted, if again { 0.0 } else { WALK_S }));
        Ok(())
    }

    /// Let time pass; once they are there, the valves are set, and not before everything is at rest.
    pub fn work(&mut self, bench: &mut dyn Bench, at_rest: bool, dt_rig_s: f64) -> Result<(), VirtualRigError> {
        let Some((wanted, left_s)) = self.way else { return Ok(()) };
        let left_s = left_s - dt_rig_s;
        self.way = Some((wanted, left_s));
        if left_s > 0.0 || !at_rest {
            return Ok(());
        }
        bench.set_line_up(wanted)?;
        self.stands = wanted;
        self.way = None;
        Ok(())
    }
}
