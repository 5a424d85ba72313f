//! Figures that follow from a rig: what `check` prints and what some checks compare.

mod shut_off;
mod stop_delay;

pub use shut_off::{ShutOff, shut_off};
pub use stop_delay::worst_stop_delay_s;
