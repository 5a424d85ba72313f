//! Numbers of all lanes that begin where a line of the cache begins.

use std::ops::{Deref, DerefMut};

/// One number a lane. A vector of eight that lay across two lines of the cache would be two accesses; for the same reason what
/// holds lanes is laid out in the order of its declaration, lanes first, from such a place on.
#[derive(Debug, Clone, Copy)]
#[repr(C, align(64))]
pub(super) struct Row<const W: usize>(pub(super) [f64; W]);

impl<const W: usize> Row<W> {
    pub(super) const ZERO: Self = Self([0.0; W]);
}

impl<const W: usize> Deref for Row<W> {
    type Target = [f64; W];

    #[inline(always)]
    fn deref(&self) -> &[f64; W] {
        &self.0
    }
}

impl<const W: usize> DerefMut for Row<W> {
    #[inline(always)]
    fn deref_mut(&mut self) -> &mut [f64; W] {
        &mut self.0
    }
}
