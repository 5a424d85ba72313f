//! Steady states, characteristics and the pump against published and independently computed values: every figure comes
//! from running the public plant or steady solver on the network that the case describes.

pub mod bed;
mod cavities;
mod coarse_grids;
mod pump_runs;
mod second_solutions;
mod steady;
mod valve_closure;
mod waves;
