//! The virtual rig over real sockets, asked by programs that share nothing with it: tokio-modbus's client and libmodbus
//! (`mbpoll`) on the bus, a parser written here by hand on the sample stream.

mod bus;
mod controller;
mod faults;
mod samples;
mod secrets;
mod stand;
mod stream;
