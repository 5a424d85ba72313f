//! Recordings: round trip, other people's readers, kill -9, refusals.

#[path = "recording/made.rs"]
pub mod made;

#[path = "recording/round_trip.rs"]
mod round_trip;
#[path = "recording/kept.rs"]
mod kept;
#[path = "recording/killed.rs"]
mod killed;
#[path = "recording/power_loss.rs"]
mod power_loss;
#[path = "recording/closing.rs"]
mod closing;
#[path = "recording/refusals.rs"]
mod refusals;
#[path = "recording/integrity.rs"]
mod integrity;
