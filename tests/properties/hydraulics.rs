//! Laws of the hydraulic core: rest, volume, energy, convergence, one-way elements, backspin, time levels.

mod air;
mod air_valves;
mod any_network;
mod bench;
mod cavities;
mod creep;
mod discs;
mod fittings;
mod drive_levels;
mod hard_runs;
mod lanes;
mod lay_flat;
mod loops;
mod pump_surface;
mod pump_trouble;
mod ranges;
mod refusals;
mod runs;
mod several_pumps;
mod short_pipes;
mod tanks;
mod waves;
