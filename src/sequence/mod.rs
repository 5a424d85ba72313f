//! Floor 4: what is to be done and in which order. `script` (the file), `machine` (one pure `advance`, used by run and
//! prediction alike), `interlock` (pure), [`ports`] (what the executor needs from the world) and `executor`.

pub mod marks;
pub mod ports;
