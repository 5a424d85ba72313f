//! Functions of the standard that serve the finding of faults, and two that change registers in one go: encoded and
//! checked like the others, so that a capture of a bus can be read and a device on a bench be asked. No link sends them.
//!
//! Source: MODBUS Application Protocol Specification V1.1b3, sections 6.7, 6.8, 6.10, 6.14 to 6.17.

use super::frame::FrameError;

/// Reference type of a file record.
const FILE_REFERENCE: u8 = 6;

/// Most registers read by function 23.
pub const READ_WRITE_READ_MAX: usize = 125;
/// Most registers written by function 23.
pub const READ_WRITE_WRITE_MAX: usize = 121;

/// A part of a file: file number, first record, registers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FilePart {
    /// File number, from 1.
    pub file: u16,
    /// First record.
    pub record: u16,
    /// Registers to write; of a read only their count matters.
    pub registers: Vec<u16>,
}

/// What is asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Service {
    /// FC 07: eight coils of the maker's choice.
    ExceptionStatus,
    /// FC 08, sub-function 0: send the data back.
    EchoData(u16),
    /// FC 12: log of the device's own messages.
    EventLog,
    /// FC 20: registers of files.
    ReadFile(Vec<FilePart>),
    /// FC 21: registers of files.
    WriteFile(Vec<FilePart>),
    /// FC 22: (value & and) | (or & !and).
    MaskWrite {
        /// Address.
        address: u16,
        /// Bits kept.
        and: u16,
        /// Bits set where not kept.
        or: u16,
    },
    /// FC 23: write first, then read.
    ReadWrite {
        /// First address read.
        read: u16,
        /// Registers read.
        count: u16,
        /// First address written.
        write: u16,
        /// Values written.
        values: Vec<u16>,
    },
}

/// What came back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Served {
    /// Coils of FC 07.
    Status(u8),
    /// The same bytes as were sent.
    Echoed,
    /// FC 12.
    Events {
        /// 0xFFFF: a program command is in process.
        status: u16,
        /// Events counted.
        events: u16,
        /// Messages counted.
        messages: u16,
        /// Event bytes, newest first.
        log: Vec<u8>,
    },
    /// Registers of each part of FC 20.
    Parts(Vec<Vec<u16>>),
    /// Registers of FC 23.
    Values(Vec<u16>),
}

/// What a mask write makes of a register: (value AND and) OR (or AND NOT and).
pub fn masked(value: u16, and: u16, or: u16) -> u16 {
    (value & and) | (or & !and)
}

fn bytes_of(registers: &[u16]) -> Vec<u8> {
    registers.iter().flat_map(|register| register.to_be_bytes()).collect()
}

fn registers_of(bytes: &[u8]) -> Vec<u16> {
    bytes.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect()
}

fn low_byte(count: usize) -> u8 {
    u8::try_from(count).unwrap_or(u8::MAX)
}

impl Service {
    /// Function code.
    pub fn function(&self) -> u8 {
        match self {
            Self::ExceptionStatus => 0x07,
            Self::EchoData(_) => 0x08,
            Self::EventLog => 0x0C,
            Self::ReadFile(_) => 0x14,
            Self::WriteFile(_) => 0x15,
            Self::MaskWrite { .. } => 0x16,
            Self::ReadWrite { .. } => 0x17,
        }
    }

    /// The PDU. Counts beyond the standard's limits are the caller's fault and come out cut.
    pub fn pdu(&self) -> Vec<u8> {
        let words = |words: &[u16]| bytes_of(words);
        let body = match self {
            Self::ExceptionStatus | Self::EventLog => Vec::new(),
            Self::EchoData(data) => words(&[0, *data]),
            Self::ReadFile(parts) => block(parts.iter().flat_map(|part| part.head()).collect()),
            Self::WriteFile(parts) => {
                let whole = |part: &FilePart| [part.head(), bytes_of(&part.registers)].concat();
                block(parts.iter().flat_map(whole).collect())
            }
            Self::MaskWrite { address, and, or } => words(&[*address, *and, *or]),
            Self::ReadWrite { read, count, write, values } => {
                let length = u16::try_from(values.len()).unwrap_or(u16::MAX);
                [words(&[*read, *count, *write, length]), block(bytes_of(values))].concat()
            }
        };
        [vec![self.function()], body].concat()
    }

    /// Hold an answer against this request.
    ///
    /// # Errors
    /// [`FrameError::Exception`] when the device refused, else what does not fit.
    pub fn check(&self, pdu: &[u8]) -> Result<Served, FrameError> {
        let (function, found) = (self.function(), pdu.first().copied().unwrap_or(0));
        match pdu {
            [first, code] if *first == function | 0x80 => Err(FrameError::Exception { code: *code }),
            _ if found != function => Err(FrameError::Function { found, asked: function }),
            _ => self.read(pdu),
        }
    }

    fn read(&self, pdu: &[u8]) -> Result<Served, FrameError> {
        match self {
            Self::ExceptionStatus => match pdu {
                [_, status] => Ok(Served::Status(*status)),
                _ => Err(self.size(pdu, 2)),
            },
            Self::EchoData(_) | Self::WriteFile(_) | Self::MaskWrite { .. } => {
                let sent = self.pdu();
                if pdu == sent { Ok(Served::Echoed) } else { Err(self.size(pdu, sent.len())) }
            }
            Self::EventLog => match self.counted(pdu)? {
                [a, b, c, d, e, f, log @ ..] => Ok(Served::Events {
                    status: u16::from_be_bytes([*a, *b]),
                    events: u16::from_be_bytes([*c, *d]),
                    messages: u16::from_be_bytes([*e, *f]),
                    log: log.to_vec(),
                }),
                _ => Err(self.size(pdu, 8)),
            },
            Self::ReadFile(parts) => self.parts(pdu, parts),
            Self::ReadWrite { count, .. } => {
                let data = self.counted(pdu)?;
                let expected = 2 * usize::from(*count);
                if data.len() == expected {
                    Ok(Served::Values(registers_of(data)))
                } else {
                    Err(self.size(pdu, 2 + expected))
                }
            }
        }
    }

    fn parts(&self, pdu: &[u8], parts: &[FilePart]) -> Result<Served, FrameError> {
        let mut rest = self.counted(pdu)?;
        let mut read = Vec::new();
        for part in parts {
            let bytes = 2 * part.registers.len();
            match rest {
                [length, FILE_REFERENCE, data @ ..] if usize::from(*length) == bytes + 1 && data.len() >= bytes => {
                    read.push(registers_of(&data[..bytes]));
                    rest = &data[bytes..];
                }
                _ => {
                    return Err(
                        self.size(pdu, 2 + parts.iter().map(|part| 2 + 2 * part.registers.len()).sum::<usize>())
                    );
                }
            }
        }
        if rest.is_empty() { Ok(Served::Parts(read)) } else { Err(self.size(pdu, pdu.len() - rest.len())) }
    }

    /// The data behind a byte count that is right.
    fn counted<'a>(&self, pdu: &'a [u8]) -> Result<&'a [u8], FrameError> {
        match pdu {
            [_, count, data @ ..] if usize::from(*count) == data.len() => Ok(data),
            [_, count, data @ ..] => {
                Err(FrameError::ByteCount { function: self.function(), found: *count, expected: low_byte(data.len()) })
            }
            _ => Err(self.size(pdu, 2)),
        }
    }

    fn size(&self, pdu: &[u8], expected: usize) -> FrameError {
        FrameError::Size { function: self.function(), found: pdu.len(), expected }
    }
}

impl FilePart {
    fn head(&self) -> Vec<u8> {
        let length = u16::try_from(self.registers.len()).unwrap_or(u16::MAX);
        [vec![FILE_REFERENCE], bytes_of(&[self.file, self.record, length])].concat()
    }
}

/// Bytes behind their count.
fn block(bytes: Vec<u8>) -> Vec<u8> {
    [vec![low_byte(bytes.len())], bytes].concat()
}
