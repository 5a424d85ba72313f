//! A Modbus RTU device for tests, on a pseudo-terminal, with framing and check sum of its own. What it answers honestly
//! is [`Device`]'s business; a script says what goes on the wire instead.

use super::device::{Device, Seen};
use ramprig::rig::model::Rig;
use ramprig::rig::serial_line::{Parity, SerialLine};
use rustix::fd::OwnedFd;
use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::fs::File;
use std::io::{Read, Write};
use std::os::unix::fs::symlink;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// Fast enough that no test waits for the wire; the gaps are the fixed ones.
pub const LINE: SerialLine =
    SerialLine { rate_baud: 115_200, parity: Parity::Even, stop_bits: 1, turn_around_s: 0.0, max_hold_s: 0.05 };

/// Bytes that go on the wire, each lot after its delay, whatever comes meanwhile.
pub type Lots = Vec<(Duration, Vec<u8>)>;
type Script = Box<dyn FnMut(&Seen, &[u8]) -> Lots + Send>;

/// The check sum bit by bit, as the serial line specification draws it (section 6.2.2).
pub fn sum(bytes: &[u8]) -> [u8; 2] {
    let mut crc = 0xFFFF_u16;
    for byte in bytes {
        crc ^= u16::from(*byte);
        for _ in 0..8 {
            let odd = crc % 2 == 1;
            crc /= 2;
            if odd {
                crc ^= 0xA001;
            }
        }
    }
    crc.to_le_bytes()
}

/// A frame by hand.
pub fn frame(unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut bytes = vec![unit];
    bytes.extend(pdu);
    bytes.extend(sum(&bytes));
    bytes
}

/// A frame as it is, at once.
pub fn at_once(bytes: Vec<u8>) -> Lots {
    vec![(Duration::ZERO, bytes)]
}

/// See the module's documentation.
pub struct RtuDevice {
    pub device: Arc<Device>,
    script: Arc<Mutex<Script>>,
    /// Both sides of the terminal; `None`: pulled out.
    terminal: Mutex<Option<(Arc<File>, OwnedFd)>>,
    name: PathBuf,
    _folder: tempfile::TempDir,
}

impl RtuDevice {
    /// A device for all units of `rig`, whose links are put on its port.
    pub fn for_rig(rig: &mut Rig) -> Self {
        let device = Arc::new(Device::for_rig(rig));
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("port");
        for link in &mut rig.links {
            link.address = name.display().to_string();
            link.serial = Some(LINE);
            link.second_stop_connection = false;
        }
        let honest: Script = Box::new(|_, honest| at_once(honest.to_vec()));
        let port =
            Self { device, script: Arc::new(Mutex::new(honest)), terminal: Mutex::new(None), name, _folder: folder };
        port.plug_in();
        port
    }

    /// Ask `script` about every answer from now on.
    pub fn script(&self, script: impl FnMut(&Seen, &[u8]) -> Lots + Send + 'static) {
        *self.script.lock().unwrap() = Box::new(script);
    }

    pub fn honest(&self) {
        self.script(|_, honest| at_once(honest.to_vec()));
    }

    /// Put bytes on the wire that nobody asked for.
    pub fn blurt(&self, bytes: &[u8]) {
        let terminal = self.terminal.lock().unwrap();
        let mut ours: &File = &terminal.as_ref().unwrap().0;
        ours.write_all(bytes).unwrap();
    }

    /// Close the terminal, as a pulled adapter does.
    pub fn pull_out(&self) {
        self.terminal.lock().unwrap().take();
        let _ = std::fs::remove_file(&self.name);
    }

    /// A new terminal under the old name.
    pub fn plug_in(&self) {
        let (ours, theirs, device) = terminal();
        let _ = std::fs::remove_file(&self.name);
        symlink(device, &self.name).unwrap();
        let ours = Arc::new(ours);
        // The thread holds our side weakly: pulling out is dropping it.
        let (reader, writer) = (ours.try_clone().unwrap(), Arc::downgrade(&ours));
        let (device, script) = (Arc::clone(&self.device), Arc::clone(&self.script));
        *self.terminal.lock().unwrap() = Some((ours, theirs));
        std::thread::spawn(move || {
            let mut reader = reader;
            while let Some(seen) = read_request(&mut reader) {
                let honest = frame(seen.unit, &device.answer_pdu(&seen));
                for (delay, bytes) in (script.lock().unwrap())(&seen, &honest) {
                    let writer = writer.clone();
                    let send = move || {
                        if let Some(ours) = writer.upgrade() {
                            let mut ours: &File = &ours;
                            let _ = ours.write_all(&bytes);
                        }
                    };
                    if delay.is_zero() {
                        send();
                    } else {
                        std::thread::spawn(move || {
                            std::thread::sleep(delay);
                            send();
                        });
                    }
                }
            }
        });
    }
}

/// Our side, theirs held open, and the path of theirs.
fn terminal() -> (File, OwnedFd, String) {
    let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&ours).unwrap();
    unlockpt(&ours).unwrap();
    let path = ptsname(&ours, Vec::new()).unwrap().into_string().unwrap();
    let theirs = rustix::fs::open(&path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty()).unwrap();
    let mut termios = tcgetattr(&theirs).unwrap();
    termios.make_raw();
    tcsetattr(&theirs, OptionalActions::Now, &termios).unwrap();
    (File::from(ours), theirs, path)
}

/// One request, cut by its length; a wrong check sum ends the reading, for the codec under test never sends one.
fn read_request(port: &mut File) -> Option<Seen> {
    let mut bytes = vec![0_u8; 8];
    port.read_exact(&mut bytes).ok()?;
    if matches!(bytes[1], 15 | 16) {
        let mut more = vec![0_u8; usize::from(bytes[6]) + 1];
        port.read_exact(&mut more).ok()?;
        bytes.extend(more);
    }
    if bytes[1] == 22 {
        let mut more = [0_u8; 2];
        port.read_exact(&mut more).ok()?;
        bytes.extend(more);
    }
    let (body, found) = bytes.split_at(bytes.len() - 2);
    assert_eq!(sum(body), found, "check sum of {bytes:02x?}");
    Some(Seen { connection: 0, unit: body[0], transaction: 0, pdu: body[1..].to_vec() })
}

/// A cable between two terminals: what is written into one end comes out of the other.
pub struct Cable {
    /// Path of one end.
    pub one: String,
    /// Path of the other end.
    pub two: String,
    _held: (OwnedFd, OwnedFd),
}

impl Cable {
    pub fn new() -> Self {
        let ((one, held_one, path_one), (two, held_two, path_two)) = (terminal(), terminal());
        pass(one.try_clone().unwrap(), two.try_clone().unwrap());
        pass(two, one);
        Self { one: path_one, two: path_two, _held: (held_one, held_two) }
    }
}

fn pass(mut from: File, mut to: File) {
    std::thread::spawn(move || {
        let mut bytes = [0_u8; 512];
        while let Ok(count @ 1..) = from.read(&mut bytes) {
            if to.write_all(&bytes[..count]).is_err() {
                break;
            }
        }
    });
}
