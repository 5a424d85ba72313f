//! Faults of the pump for practice: what a rig's pump may have caught since its file was written.
//!
//! | words | what |
//! |---|---|
//! | `wear 15%` | worn rings: that share of the rated flow slips back at rated head; `wear 0%` mends it |
//! | `wrong-rotation`, `right-rotation` | two phases swapped, from the next standstill on; or swapped back |
//! | `splash 6%` | water that the pump sends round splashes beside its suction and takes that share of air down; `splash 0%` ends it |

use super::model::Rig;
use crate::hydraulics::spec::{ElementKind, NetworkSpec, Place, PumpCondition, SplashSpec};
use std::fmt;
use std::str::FromStr;

/// Largest share that is taken.
const SHARE_MAX: f64 = 0.5;
/// Time constant with which air builds up at the suction inlet, s: common practice, no source.
const GROWS_S: f64 = 10.0;

/// A fault, or its end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PumpFault {
    /// Slip through worn rings, share of rated flow.
    Wear(f64),
    /// Turns the wrong way.
    WrongRotation(bool),
    /// Free air of the water drawn, share by volume, at rated flow.
    Splash(f64),
}

/// Words that mean no fault.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{words}`: no fault of the pump; try: `wear 15%`, `wrong-rotation`, `right-rotation`, `splash 6%` (shares 0 to 50 %)"
)]
pub struct UnknownFault {
    words: String,
}

impl FromStr for PumpFault {
    type Err = UnknownFault;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let words: Vec<&str> = text.split_whitespace().collect();
        let fault = match words[..] {
            ["wear", share] => percent(share).map(Self::Wear),
            ["splash", share] => percent(share).map(Self::Splash),
            ["wrong-rotation"] => Some(Self::WrongRotation(true)),
            ["right-rotation"] => Some(Self::WrongRotation(false)),
            _ => None,
        };
        fault.ok_or_else(|| UnknownFault { words: text.to_owned() })
    }
}

impl fmt::Display for PumpFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Wear(share) => write!(f, "wear {}%", 100.0 * share),
            Self::Splash(share) => write!(f, "splash {}%", 100.0 * share),
            Self::WrongRotation(true) => f.write_str("wrong-rotation"),
            Self::WrongRotation(false) => f.write_str("right-rotation"),
        }
    }
}

fn percent(text: &str) -> Option<f64> {
    let share = text.strip_suffix('%')?.parse::<f64>().ok()? / 100.0;
    (0.0..=SHARE_MAX).contains(&share).then_some(share)
}

impl PumpFault {
    /// The pump's condition with the fault, in a network.
    #[must_use]
    pub fn on(&self, network: &NetworkSpec, condition: PumpCondition) -> PumpCondition {
        let pump = network.elements.iter().enumerate().find_map(|(index, element)| match &element.kind {
            ElementKind::Pump(pump) => Some((index, pump.rated_flow_m3_s)),
            _ => None,
        });
        match *self {
            Self::Wear(wear_leak_share) => PumpCondition { wear_leak_share, ..condition },
            Self::WrongRotation(wrong_rotation) => PumpCondition { wrong_rotation, ..condition },
            Self::Splash(air_share) => {
                let splash = pump.map(|(element, full_flow_m3_s)| SplashSpec {
                    place: Place::Pipe { element, share: 0.0 },
                    air_share,
                    full_flow_m3_s,
                    grows_s: GROWS_S,
                });
                PumpCondition { splash: splash.filter(|_| air_share > 0.0), ..condition }
            }
        }
    }
}

impl Rig {
    /// The rig with a fault of its pump.
    #[must_use]
    pub fn with_pump_fault(mut self, fault: PumpFault) -> Self {
        let network = self.network.clone();
        for element in &mut self.network.elements {
            if let ElementKind::Pump(pump) = &mut element.kind {
                pump.condition = fault.on(&network, pump.condition);
            }
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn accepts_every_documented_line_and_says_it_back() {
        for line in ["wear 15%", "wear 0%", "wrong-rotation", "right-rotation", "splash 6%"] {
            assert_eq!(line.parse::<PumpFault>().unwrap().to_string(), line);
        }
    }

    #[test]
    fn rejects_shares_and_words_that_mean_nothing() {
        for line in ["wear", "wear 15", "wear 60%", "wear NaN%", "splash -1%", "wrong-rotation now", ""] {
            assert!(line.parse::<PumpFault>().is_err(), "{line}");
        }
    }

    #[test]
    fn a_rig_with_a_fault_keeps_all_but_its_pump() {
        let rig = crate::rig::parse(crate::rig::shipped("terrace-bench").unwrap(), "t.toml").unwrap();
        let worn = rig.clone().with_pump_fault(PumpFault::Wear(0.15)).with_pump_fault(PumpFault::WrongRotation(true));
        let differs = rig.network.elements.iter().zip(&worn.network.elements).filter(|(a, b)| a != b);
        assert_eq!(differs.map(|(a, _)| a.name.clone()).collect::<Vec<_>>(), ["pump"]);
        let mended = worn.with_pump_fault(PumpFault::Wear(0.0)).with_pump_fault(PumpFault::WrongRotation(false));
        assert_eq!(mended.network, rig.network);
    }
}
