//! Door.
use hdf5 as _;
fn main() {}
