//! What the pump control valve does, as events.

use super::events::{EventKind, Observer};
use crate::rig::model::Rig;
use crate::starters::ControlValve;
use crate::starters::control_valve::Motion;

/// How a control valve stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stand {
    Shut,
    Between,
    Open,
    Opening,
    /// True: its limit switch has still to cut the motor.
    Closing(bool),
    Emergency,
}

impl Stand {
    pub(super) fn of(valve: &ControlValve) -> Self {
        match valve.motion() {
            Motion::Opening { .. } => Self::Opening,
            Motion::Closing { cuts, .. } => Self::Closing(cuts),
            Motion::Emergency { .. } => Self::Emergency,
            Motion::Rest | Motion::Waiting { .. } | Motion::Dead => match valve.opening() {
                opening if opening <= 0.0 => Self::Shut,
                opening if opening >= 1.0 => Self::Open,
                _ => Self::Between,
            },
        }
    }
}

impl Observer {
    /// Looks at the control valve, which stood as `self.valve` says before (a valve never seen stood as it does now).
    pub fn look_at_valve(&mut self, rig: &Rig, now_s: f64, valve: &ControlValve) {
        let now = Stand::of(valve);
        let before = self.valve.replace(now).unwrap_or(now);
        if before == now {
            return;
        }
        let element = rig.control_valve.as_ref().and_then(|valve| rig.network.elements.get(valve.element));
        let name = element.map_or("", |element| element.name.as_str());
        if before == Stand::Closing(true) && matches!(now, Stand::Closing(false) | Stand::Shut) {
            let at = 100.0 * valve.spec().limit_switch;
            let text = format!("limit switch of control valve {name} at {at:.0} % of its opening cuts the motor");
            self.keep(now_s, EventKind::LimitSwitch, text);
        }
        let told = match now {
            Stand::Opening => (EventKind::ControlValveOpens, "begins to open"),
            Stand::Open => (EventKind::ControlValveOpen, "is fully open"),
            Stand::Closing(true) => (EventKind::ControlValveCloses, "begins to close, the motor stays on"),
            Stand::Closing(false) if before != Stand::Closing(true) => {
                (EventKind::ControlValveCloses, "begins to close")
            }
            Stand::Emergency => (EventKind::ControlValveCloses, "begins to close by its emergency law"),
            Stand::Shut => (EventKind::ControlValveShut, "is shut"),
            Stand::Closing(false) | Stand::Between => return,
        };
        self.keep(now_s, told.0, format!("control valve {name} {}", told.1));
    }
}
