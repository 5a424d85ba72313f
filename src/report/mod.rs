//! Floor 6: the report: one self-contained page with plots.

pub mod chart;
pub mod document;
pub mod html;
