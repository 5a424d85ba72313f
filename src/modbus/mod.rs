//! Floor 4: the words of Modbus TCP, shared by those who speak it: `fieldbus` (commands) and `acquisition` (samples behind
//! registers). A codec alone: no socket, no clock.

pub mod frame;
