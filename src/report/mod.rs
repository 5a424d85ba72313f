//! Floor 6: the report: one self-contained page with plots. `compose` turns runs into a `document` of plain pieces, `html`
//! turns that into a page, `pdf` (a feature) into sheets of paper, `chart` draws.

pub mod chart;
pub mod compose;
pub mod document;
mod duty_point;
pub mod export;
pub mod html;
mod judged;
mod levels;
mod lined_up;
#[cfg(feature = "pdf")]
pub mod pdf;
mod repeats;
mod verifying;
