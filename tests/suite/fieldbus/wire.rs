//! The codec against the published frames of `tests/fixtures/check-values/08_modbus.toml`.

use ramprig::fieldbus::frame::{
    ADU_MAX_BYTES, Answer, FrameError, PDU_MAX_BYTES, READ_BITS_MAX, READ_REGISTERS_MAX, Request, Splitter,
    WRITE_COILS_MAX, WRITE_REGISTERS_MAX, exception_name, wrap,
};
use ramprig::rig::register_map::Table as Bank;

struct Case(toml::Table);

impl Case {
    fn find(id: &str) -> Self {
        let text = include_str!("../../fixtures/check-values/08_modbus.toml");
        let file: toml::Table = toml::from_str(text).unwrap();
        let found = file["case"].as_array().unwrap().iter().find(|case| case["id"].as_str() == Some(id));
        Self(found.unwrap_or_else(|| panic!("no case {id}")).as_table().unwrap().clone())
    }
    fn value(&self, list: &str, name: &str) -> toml::Value {
        let entries = self.0[list].as_array().unwrap();
        entries.iter().find(|entry| entry["name"].as_str() == Some(name)).unwrap()["value"].clone()
    }
    fn bytes(&self, list: &str, name: &str) -> Vec<u8> {
        let text = self.value(list, name);
        text.as_str().unwrap().split(' ').map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
    }
    fn number(&self, list: &str, name: &str) -> i64 {
        self.value(list, name).as_integer().unwrap()
    }
    fn source(&self) -> &str {
        self.0["source"].as_str().unwrap()
    }
}

fn read(table: Bank, address: u16, count: u16) -> Request {
    Request::Read { table, address, count }
}

/// Examples of the specification that concern the functions used here; FC 02, 04 and 15 are not among the cases at hand
/// and stand below, from memory.
fn examples() -> Vec<(&'static str, Request, Answer)> {
    let coils = [1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1];
    vec![
        ("pdu-01", read(Bank::Coil, 0x13, 0x13), Answer::Values(coils.to_vec())),
        ("pdu-03", read(Bank::Holding, 0x6B, 3), Answer::Values(vec![0x022B, 0, 0x0064])),
        ("pdu-05", Request::WriteCoil { address: 0xAC, on: true }, Answer::Written),
        ("pdu-06", Request::WriteRegister { address: 1, value: 3 }, Answer::Written),
        ("pdu-10", Request::WriteRegisters { address: 1, values: vec![0x000A, 0x0102] }, Answer::Written),
    ]
}

#[test]
fn published_modbus_v1_1b3_example_pdus() {
    for (id, request, answer) in examples() {
        let case = Case::find(id);
        assert_eq!(request.pdu().unwrap(), case.bytes("expected", "request_pdu"), "{id}: {}", case.source());
        let response = case.bytes("expected", "response_pdu");
        assert_eq!(request.check(&response), Ok(answer), "{id}: {}", case.source());
    }
}

#[test]
fn published_modbus_v1_1b3_examples_of_functions_02_04_and_15_from_memory() {
    // MODBUS Application Protocol Specification V1.1b3, sections 6.2, 6.4 and 6.11, from memory.
    let inputs = [0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1];
    let request = read(Bank::DiscreteInput, 0xC4, 0x16);
    assert_eq!(request.pdu().unwrap(), [0x02, 0x00, 0xC4, 0x00, 0x16]);
    assert_eq!(request.check(&[0x02, 0x03, 0xAC, 0xDB, 0x35]), Ok(Answer::Values(inputs.to_vec())));
    let request = read(Bank::Input, 8, 1);
    assert_eq!(request.pdu().unwrap(), [0x04, 0x00, 0x08, 0x00, 0x01]);
    assert_eq!(request.check(&[0x04, 0x02, 0x00, 0x0A]), Ok(Answer::Values(vec![10])));
    let values = [1, 0, 1, 1, 0, 0, 1, 1, 1, 0].map(|bit| bit == 1).to_vec();
    let request = Request::WriteCoils { address: 0x13, values };
    assert_eq!(request.pdu().unwrap(), [0x0F, 0x00, 0x13, 0x00, 0x0A, 0x02, 0xCD, 0x01]);
    assert_eq!(request.check(&[0x0F, 0x00, 0x13, 0x00, 0x0A]), Ok(Answer::Written));
}

#[test]
fn published_modbus_v1_1b3_exception_example() {
    let case = Case::find("pdu-exc");
    let request = read(Bank::Coil, 0x04A1, 1);
    assert_eq!(request.pdu().unwrap(), case.bytes("expected", "request_pdu"), "{}", case.source());
    let refused = request.check(&case.bytes("expected", "response_pdu"));
    assert_eq!(refused, Err(FrameError::Exception { code: 2 }), "{}", case.source());
}

#[test]
fn published_modbus_v1_1b3_exception_codes_and_names() {
    for id in ["exc-01", "exc-02", "exc-03", "exc-04", "exc-05", "exc-06", "exc-08", "exc-0A", "exc-0B"] {
        let case = Case::find(id);
        let code = u8::try_from(case.number("inputs", "code")).unwrap();
        let function = u8::try_from(case.number("expected", "response_function_for_03")).unwrap();
        let name = case.value("expected", "name");
        assert_eq!(exception_name(code), name.as_str().unwrap(), "{id}: {}", case.source());
        let answer = read(Bank::Holding, 0, 1).check(&[function, code]);
        assert_eq!(answer, Err(FrameError::Exception { code }), "{id}: {}", case.source());
        assert!(!FrameError::Exception { code }.costs_connection());
    }
}

#[test]
fn published_modbus_v1_1b3_limits() {
    let limits = [
        ("limit-read-registers", i64::from(READ_REGISTERS_MAX)),
        ("limit-write-registers", WRITE_REGISTERS_MAX as i64),
        ("limit-read-coils", i64::from(READ_BITS_MAX)),
        ("limit-write-coils", WRITE_COILS_MAX as i64),
        ("limit-PDU-bytes", PDU_MAX_BYTES as i64),
        ("limit-TCP-ADU-bytes", ADU_MAX_BYTES as i64),
    ];
    for (id, ours) in limits {
        let case = Case::find(id);
        assert_eq!(ours, case.number("expected", "max"), "{id}: {}", case.source());
    }
    let allowed = [
        read(Bank::Holding, 0, READ_REGISTERS_MAX),
        read(Bank::Coil, 0, READ_BITS_MAX),
        read(Bank::Input, 65535, 1),
        Request::WriteRegisters { address: 0, values: vec![0; WRITE_REGISTERS_MAX] },
        Request::WriteCoils { address: 0, values: vec![true; WRITE_COILS_MAX] },
    ];
    for request in allowed {
        let bytes = request.adu(1, 1).unwrap().len();
        assert!(bytes <= ADU_MAX_BYTES, "{} bytes, limit {ADU_MAX_BYTES}", bytes);
    }
    let refused = [
        read(Bank::Holding, 0, READ_REGISTERS_MAX + 1),
        read(Bank::Input, 0, 0),
        read(Bank::DiscreteInput, 0, READ_BITS_MAX + 1),
        read(Bank::Input, 65535, 2),
        Request::WriteRegisters { address: 0, values: vec![0; WRITE_REGISTERS_MAX + 1] },
        Request::WriteRegisters { address: 0, values: vec![] },
        Request::WriteCoils { address: 0, values: vec![true; WRITE_COILS_MAX + 1] },
    ];
    for request in refused {
        assert!(matches!(request.pdu(), Err(FrameError::Quantity { .. })), "function {}", request.function());
    }
}

#[test]
fn published_modbus_tcp_v1_0b_frames() {
    for id in ["adu-tcp-1-1", "adu-tcp-4660-17", "adu-tcp-7-3", "adu-tcp-2-17"] {
        let case = Case::find(id);
        let transaction = u16::try_from(case.number("inputs", "transaction")).unwrap();
        let unit = u8::try_from(case.number("inputs", "unit")).unwrap();
        let pdu = case.bytes("inputs", "pdu");
        let adu = case.bytes("expected", "adu");
        assert_eq!(wrap(transaction, unit, &pdu), adu, "{id}: {}", case.source());
        let length = i64::from(u16::from_be_bytes([adu[4], adu[5]]));
        assert_eq!(length, case.number("expected", "length_field"), "{id}: {}", case.source());
        let mut splitter = Splitter::default();
        splitter.push(&adu);
        let frame = splitter.next_frame().unwrap().unwrap();
        assert_eq!((frame.transaction, frame.unit, frame.pdu), (transaction, unit, pdu), "{id}: {}", case.source());
    }
    let request = read(Bank::Holding, 0x6B, 3);
    assert_eq!(request.adu(1, 1).unwrap(), Case::find("adu-tcp-1-1").bytes("expected", "adu"));
    let request = Request::WriteRegisters { address: 1, values: vec![0x000A, 0x0102] };
    assert_eq!(request.adu(2, 17).unwrap(), Case::find("adu-tcp-2-17").bytes("expected", "adu"));
}

#[test]
fn rejects_answers_that_fit_another_request() {
    let registers = read(Bank::Holding, 0, 2);
    let bits = read(Bank::Coil, 0, 3);
    let write = Request::WriteRegister { address: 1, value: 3 };
    let wrong: [(&Request, &[u8]); 14] = [
        (&registers, &[0x04, 4, 0, 1, 0, 2]),
        (&registers, &[0x03, 2, 0, 1]),
        (&registers, &[0x03, 4, 0, 1, 0]),
        (&registers, &[0x03, 4, 0, 1, 0, 2, 0]),
        (&registers, &[0x03, 3, 0, 1, 0, 2]),
        (&registers, &[0x83, 2, 0]),
        (&registers, &[0x84, 2]),
        (&registers, &[0x03, 4]),
        (&bits, &[0x01, 1, 0b1000]),
        (&bits, &[0x01, 2, 0b101, 0]),
        (&bits, &[0x02, 1, 0b101]),
        (&write, &[0x06, 0, 1, 0, 4]),
        (&write, &[0x06, 0, 2, 0, 3]),
        (&write, &[0x05, 0, 1, 0, 3]),
    ];
    for (request, pdu) in wrong {
        let error = request.check(pdu).expect_err(&format!("{pdu:02x?} was taken as an answer to {request:?}"));
        assert!(error.costs_connection(), "{error}");
    }
}
