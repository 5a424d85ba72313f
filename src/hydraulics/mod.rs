//! Floor 1: the water. Liquid, friction, wave speed, steady state, pump, shaft and the method of characteristics.

pub mod plant;
pub mod spec;
