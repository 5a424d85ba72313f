//! (tests of this area)
