//! ramprig: live controller and data recorder for pump start/stop test rigs. This page is the map of the house.
//!
//! Floors, lowest first; a module imports only from lower floors (`tests/architecture.rs` proves it):
//!
//! | floor | modules |
//! |---|---|
//! | 0 ground | [`units`], [`clock`], [`signal`] |
//! | 1 physics | [`hydraulics`] |
//! | 2 machines | [`starters`] |
//! | 3 description | [`rig`] |
//! | 4 plan and reasoning | [`sequence`], [`prediction`], [`comparison`]; [`modbus`], a codec |
//! | 5 adapters | [`fieldbus`], [`acquisition`], [`recording`] |
//! | 6 on adapters | [`virtual_rig`], [`report`] |
//! | 7 contract | [`api`] |
//! | 8 process | [`daemon`], [`observe`] |
//! | 9 faces | [`tui`], [`web`] |
//! | 10 door | [`cli`] and `main.rs` |

#![cfg_attr(test, allow(clippy::float_cmp, reason = "a test that expects an exact value says so"))]

pub mod units;
pub mod clock;
pub mod signal;
pub mod hydraulics;
pub mod starters;
pub mod rig;
pub mod modbus;
pub mod sequence;
pub mod prediction;
pub mod comparison;
pub mod fieldbus;
pub mod acquisition;
pub mod recording;
pub mod virtual_rig;
pub mod report;
pub mod api;
pub mod daemon;
pub mod observe;
pub mod tui;
pub mod web;
pub mod cli;
