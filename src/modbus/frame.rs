//! Modbus TCP frames: encode requests, take answers apart, believe nothing unchecked. No sockets, no clock.
//!
//! Why a codec of our own: this is safety path. A general client matches an answer to the request it waits for, and
//! that is all; here a stop must leave while another request is still unanswered, an answer that comes late must never
//! be taken for another one, and every field of an answer is held against the request it claims to answer (transaction,
//! protocol, length, unit, function, byte count, spare bits, echoed address and value). Anything else is an error that
//! costs the connection ([`FrameError::costs_connection`]).
//!
//! Source: MODBUS Application Protocol Specification V1.1b3, sections 4.1, 6 and 7; MODBUS Messaging on TCP/IP
//! Implementation Guide V1.0b, section 3.1.3.

use crate::rig::register_map::Table;

/// Bytes of the MBAP header.
pub const HEADER_BYTES: usize = 7;
/// Most bytes of a PDU (section 4.1).
pub const PDU_MAX_BYTES: usize = 253;
/// Most bytes of a TCP ADU: header and PDU.
pub const ADU_MAX_BYTES: usize = HEADER_BYTES + PDU_MAX_BYTES;
/// Most coils or discrete inputs in one read (sections 6.1 and 6.2).
pub const READ_BITS_MAX: u16 = 2000;
/// Most registers in one read (sections 6.3 and 6.4).
pub const READ_REGISTERS_MAX: u16 = 125;
/// Most coils in one write (section 6.11).
pub const WRITE_COILS_MAX: usize = 1968;
/// Most registers in one write (section 6.12).
pub const WRITE_REGISTERS_MAX: usize = 123;

const EXCEPTION_BIT: u8 = 0x80;
const COIL_ON: u16 = 0xFF00;

/// What is asked of a device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Request {
    /// FC 01, 02, 03 or 04, as the table says.
    Read {
        /// Table.
        table: Table,
        /// First address, from 0.
        address: u16,
        /// How many bits or registers.
        count: u16,
    },
    /// FC 05.
    WriteCoil {
        /// Address.
        address: u16,
        /// Value.
        on: bool,
    },
    /// FC 06.
    WriteRegister {
        /// Address.
        address: u16,
        /// Value.
        value: u16,
    },
    /// FC 22: (register AND `and`) OR (`or` AND NOT `and`), by the device itself.
    MaskWrite {
        /// Address.
        address: u16,
        /// Bits kept.
        and: u16,
        /// Bits set where not kept.
        or: u16,
    },
    /// FC 15.
    WriteCoils {
        /// First address.
        address: u16,
        /// Values.
        values: Vec<bool>,
    },
    /// FC 16.
    WriteRegisters {
        /// First address.
        address: u16,
        /// Values.
        values: Vec<u16>,
    },
}

/// What a device answered, checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// Values of a read; a bit is 0 or 1.
    Values(Vec<u16>),
    /// A write was echoed. It proves that the device received it, nothing else.
    Written,
}

/// Why a request cannot be sent or an answer cannot be believed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FrameError {
    /// Count of zero, over the limit, or running past address 65535.
    #[error(
        "function {function:#04x}: {count} from address {address}: allowed are 1 to {most}, ending at 65535 or below"
    )]
    Quantity {
        /// Function code.
        function: u8,
        /// First address.
        address: u16,
        /// Wanted count.
        count: usize,
        /// Most allowed.
        most: usize,
    },
    /// The check sum of a serial frame is wrong.
    #[error("check sum {found:#06x}, the bytes have {sum:#06x}")]
    Sum {
        /// Found.
        found: u16,
        /// Of the bytes.
        sum: u16,
    },
    /// Not Modbus.
    #[error("protocol id {found:#06x}, must be 0")]
    Protocol {
        /// Found.
        found: u16,
    },
    /// Length field outside what any answer can have.
    #[error("length field {found}, must be 3 to 254")]
    Length {
        /// Found.
        found: u16,
    },
    /// No request with this transaction id waits for an answer.
    #[error("answer to transaction {found:#06x}, which waits for none")]
    Transaction {
        /// Found.
        found: u16,
    },
    /// Another unit answered.
    #[error("answer of unit {found}, asked was unit {asked}")]
    Unit {
        /// Found.
        found: u8,
        /// Asked.
        asked: u8,
    },
    /// Another function was answered.
    #[error("answer to function {found:#04x}, asked was {asked:#04x}")]
    Function {
        /// Found.
        found: u8,
        /// Asked.
        asked: u8,
    },
    /// The answer is shorter or longer than the request demands.
    #[error("function {function:#04x}: answer of {found} bytes, must be {expected}")]
    Size {
        /// Function code.
        function: u8,
        /// Bytes of the PDU found.
        found: usize,
        /// Bytes of the PDU demanded.
        expected: usize,
    },
    /// The byte count inside the answer is wrong.
    #[error("function {function:#04x}: byte count {found}, must be {expected}")]
    ByteCount {
        /// Function code.
        function: u8,
        /// Found.
        found: u8,
        /// Demanded.
        expected: u8,
    },
    /// A bit beyond the asked ones is set.
    #[error("function {function:#04x}: a bit beyond the {count} asked ones is set")]
    SpareBits {
        /// Function code.
        function: u8,
        /// Bits asked for.
        count: u16,
    },
    /// A write was echoed with another address or value.
    #[error("function {function:#04x}: echo of {found:02x?}, sent was {sent:02x?}")]
    Echo {
        /// Function code.
        function: u8,
        /// Bytes found.
        found: [u8; 4],
        /// Bytes sent.
        sent: [u8; 4],
    },
    /// The device refused the request: an honest answer, not a fault of the line.
    #[error("exception {code} ({})", exception_name(*code))]
    Exception {
        /// Exception code.
        code: u8,
    },
}

impl FrameError {
    /// True when nothing more from this connection may be believed.
    pub fn costs_connection(&self) -> bool {
        !matches!(self, Self::Exception { .. } | Self::Quantity { .. })
    }
}

/// Name of an exception code in the specification (section 7).
pub fn exception_name(code: u8) -> &'static str {
    match code {
        1 => "ILLEGAL FUNCTION",
        2 => "ILLEGAL DATA ADDRESS",
        3 => "ILLEGAL DATA VALUE",
        4 => "SERVER DEVICE FAILURE",
        5 => "ACKNOWLEDGE",
        6 => "SERVER DEVICE BUSY",
        8 => "MEMORY PARITY ERROR",
        10 => "GATEWAY PATH UNAVAILABLE",
        11 => "GATEWAY TARGET DEVICE FAILED TO RESPOND",
        _ => "not in the specification",
    }
}

impl Request {
    /// Function code.
    pub fn function(&self) -> u8 {
        match self {
            Self::Read { table: Table::Coil, .. } => 0x01,
            Self::Read { table: Table::DiscreteInput, .. } => 0x02,
            Self::Read { table: Table::Holding, .. } => 0x03,
            Self::Read { table: Table::Input, .. } => 0x04,
            Self::WriteCoil { .. } => 0x05,
            Self::WriteRegister { .. } => 0x06,
            Self::MaskWrite { .. } => 0x16,
            Self::WriteCoils { .. } => 0x0F,
            Self::WriteRegisters { .. } => 0x10,
        }
    }

    /// True when it changes nothing on the far side, so that it may be asked again.
    pub fn is_read(&self) -> bool {
        matches!(self, Self::Read { .. })
    }

    /// The PDU.
    ///
    /// # Errors
    /// [`FrameError::Quantity`] when the count is not one the specification allows.
    pub fn pdu(&self) -> Result<Vec<u8>, FrameError> {
        let (address, count, most) = self.extent();
        let fits = usize::from(address) + count <= 65536;
        if count == 0 || count > most || !fits {
            return Err(FrameError::Quantity { function: self.function(), address, count, most });
        }
        let mut pdu = vec![self.function()];
        pdu.extend(address.to_be_bytes());
        match self {
            Self::Read { count, .. } => pdu.extend(count.to_be_bytes()),
            Self::WriteCoil { on, .. } => pdu.extend((if *on { COIL_ON } else { 0 }).to_be_bytes()),
            Self::WriteRegister { value, .. } => pdu.extend(value.to_be_bytes()),
            Self::MaskWrite { and, or, .. } => pdu.extend([and.to_be_bytes(), or.to_be_bytes()].concat()),
            Self::WriteCoils { values, .. } => push_block(&mut pdu, values.len(), &pack_bits(values)),
            Self::WriteRegisters { values, .. } => {
                let bytes: Vec<u8> = values.iter().flat_map(|value| value.to_be_bytes()).collect();
                push_block(&mut pdu, values.len(), &bytes);
            }
        }
        Ok(pdu)
    }

    /// The whole frame as it goes on the wire.
    ///
    /// # Errors
    /// As [`Request::pdu`].
    pub fn adu(&self, transaction: u16, unit: u8) -> Result<Vec<u8>, FrameError> {
        Ok(wrap(transaction, unit, &self.pdu()?))
    }

    /// Bytes that the PDU of an answer must have, unless the device refuses.
    pub fn answer_pdu_bytes(&self) -> usize {
        match self {
            Self::Read { table: Table::Coil | Table::DiscreteInput, count, .. } => 2 + usize::from(count.div_ceil(8)),
            Self::Read { count, .. } => 2 + 2 * usize::from(*count),
            Self::MaskWrite { .. } => 7,
            _ => 5,
        }
    }

    fn extent(&self) -> (u16, usize, usize) {
        match self {
            Self::Read { table: Table::Coil | Table::DiscreteInput, address, count } => {
                (*address, usize::from(*count), usize::from(READ_BITS_MAX))
            }
            Self::Read { address, count, .. } => (*address, usize::from(*count), usize::from(READ_REGISTERS_MAX)),
            Self::WriteCoil { address, .. } | Self::WriteRegister { address, .. } | Self::MaskWrite { address, .. } => {
                (*address, 1, 1)
            }
            Self::WriteCoils { address, values } => (*address, values.len(), WRITE_COILS_MAX),
            Self::WriteRegisters { address, values } => (*address, values.len(), WRITE_REGISTERS_MAX),
        }
    }

    /// Hold the PDU of an answer against this request.
    ///
    /// # Errors
    /// Every way in which it does not answer this request; [`FrameError::Exception`] when the device refused.
    pub fn check(&self, pdu: &[u8]) -> Result<Answer, FrameError> {
        let function = self.function();
        let found = pdu.first().copied().unwrap_or(0);
        if found == function | EXCEPTION_BIT {
            let code = self.exactly(pdu, 2)?[1];
            return Err(FrameError::Exception { code });
        }
        if found != function {
            return Err(FrameError::Function { found, asked: function });
        }
        match self {
            Self::Read { table: Table::Coil | Table::DiscreteInput, count, .. } => self.check_bits(pdu, *count),
            Self::Read { count, .. } => self.check_registers(pdu, *count),
            _ => self.check_echo(pdu),
        }
    }

    fn exactly<'a>(&self, pdu: &'a [u8], expected: usize) -> Result<&'a [u8], FrameError> {
        if pdu.len() == expected {
            return Ok(pdu);
        }
        Err(FrameError::Size { function: self.function(), found: pdu.len(), expected })
    }

    fn block<'a>(&self, pdu: &'a [u8], bytes: usize) -> Result<&'a [u8], FrameError> {
        let pdu = self.exactly(pdu, 2 + bytes)?;
        if usize::from(pdu[1]) != bytes {
            let expected = u8::try_from(bytes).unwrap_or(u8::MAX);
            return Err(FrameError::ByteCount { function: self.function(), found: pdu[1], expected });
        }
        Ok(&pdu[2..])
    }

    fn check_bits(&self, pdu: &[u8], count: u16) -> Result<Answer, FrameError> {
        let bytes = self.block(pdu, usize::from(count.div_ceil(8)))?;
        let spare = match count % 8 {
            0 => 0,
            used => bytes.last().copied().unwrap_or(0) >> used,
        };
        if spare != 0 {
            return Err(FrameError::SpareBits { function: self.function(), count });
        }
        let bit = |index: u16| u16::from(bytes[usize::from(index / 8)] >> (index % 8) & 1);
        Ok(Answer::Values((0..count).map(bit).collect()))
    }

    fn check_registers(&self, pdu: &[u8], count: u16) -> Result<Answer, FrameError> {
        let bytes = self.block(pdu, 2 * usize::from(count))?;
        Ok(Answer::Values(bytes.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect()))
    }

    fn check_echo(&self, pdu: &[u8]) -> Result<Answer, FrameError> {
        let bytes = self.answer_pdu_bytes();
        let pdu = self.exactly(pdu, bytes)?;
        let sent_pdu = self.pdu()?;
        // The last four tell most: address and value, or both masks.
        let last = |pdu: &[u8]| [pdu[bytes - 4], pdu[bytes - 3], pdu[bytes - 2], pdu[bytes - 1]];
        let (found, sent) = (last(pdu), last(&sent_pdu));
        if pdu == &sent_pdu[..bytes] {
            Ok(Answer::Written)
        } else {
            Err(FrameError::Echo { function: self.function(), found, sent })
        }
    }
}

fn pack_bits(values: &[bool]) -> Vec<u8> {
    let mut bytes = vec![0_u8; values.len().div_ceil(8)];
    for (index, value) in values.iter().enumerate() {
        bytes[index / 8] |= u8::from(*value) << (index % 8);
    }
    bytes
}

fn push_block(pdu: &mut Vec<u8>, count: usize, bytes: &[u8]) {
    // Both fit: `extent` has been checked before.
    pdu.extend(u16::try_from(count).unwrap_or(u16::MAX).to_be_bytes());
    pdu.push(u8::try_from(bytes.len()).unwrap_or(u8::MAX));
    pdu.extend(bytes);
}

/// A PDU behind its MBAP header. The PDU must not be longer than [`PDU_MAX_BYTES`].
pub fn wrap(transaction: u16, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let length = u16::try_from(pdu.len() + 1).unwrap_or(u16::MAX);
    let mut adu = Vec::with_capacity(HEADER_BYTES + pdu.len());
    adu.extend(transaction.to_be_bytes());
    adu.extend([0, 0]);
    adu.extend(length.to_be_bytes());
    adu.push(unit);
    adu.extend(pdu);
    adu
}

/// A frame with a plausible header; whether it answers anything is for [`Request::check`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Frame {
    /// Transaction id.
    pub transaction: u16,
    /// Unit.
    pub unit: u8,
    /// PDU, at least two bytes.
    pub pdu: Vec<u8>,
}

/// Cuts a byte stream into frames, however it was split on the way.
#[derive(Debug, Clone, Default)]
pub struct Splitter {
    bytes: Vec<u8>,
}

impl Splitter {
    /// Take bytes from the wire.
    pub fn push(&mut self, bytes: &[u8]) {
        self.bytes.extend(bytes);
    }

    /// Bytes of an unfinished frame.
    pub fn pending_bytes(&self) -> usize {
        self.bytes.len()
    }

    /// The next whole frame; `None`: more bytes are needed.
    ///
    /// # Errors
    /// [`FrameError::Protocol`] and [`FrameError::Length`], as soon as the bytes that show it are in. The stream has
    /// lost its frame boundary then and must be given up.
    pub fn next_frame(&mut self) -> Result<Option<Frame>, FrameError> {
        if let [_, _, high, low, ..] = self.bytes[..]
            && (high, low) != (0, 0)
        {
            return Err(FrameError::Protocol { found: u16::from_be_bytes([high, low]) });
        }
        let [transaction_high, transaction_low, _, _, length_high, length_low, ..] = self.bytes[..] else {
            return Ok(None);
        };
        let length = u16::from_be_bytes([length_high, length_low]);
        if !(3..=254).contains(&length) {
            return Err(FrameError::Length { found: length });
        }
        let end = HEADER_BYTES - 1 + usize::from(length);
        if self.bytes.len() < end {
            return Ok(None);
        }
        let transaction = u16::from_be_bytes([transaction_high, transaction_low]);
        let frame = Frame { transaction, unit: self.bytes[6], pdu: self.bytes[HEADER_BYTES..end].to_vec() };
        self.bytes.drain(..end);
        Ok(Some(frame))
    }
}
