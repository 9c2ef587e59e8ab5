//! What is said of each mistake in a decoder file. The files are a gallery named after its faults,
//! shared with the tests of the built program.

use slipwright_decoders::decoder_file::DecoderFile;

/// Files by name, and what the parser says of each: one line a file.
macro_rules! gallery {
    ($($fault:literal)*) => {
        [$(($fault, include_str!(concat!("../../tests/bad-input/decoder-", $fault, ".toml")))),*]
    };
}

#[test]
fn every_mistake_is_named_with_its_line_and_its_remedy() {
    let gallery = gallery! {
        "beyond-frame"
        "beyond-longest-frame"
        "beyond-short-frame"
        "empty"
        "empty-name"
        "extended-as-number"
        "float-and-signed"
        "float-of-16-bits"
        "frame-in-single-brackets"
        "frame-too-long"
        "frame-twice"
        "frame-twice-any-bus"
        "id-as-text"
        "id-negative"
        "id-too-large"
        "id-too-large-extended"
        "invalid-raw-negative"
        "invalid-raw-not-a-list"
        "invalid-raw-signed-too-wide"
        "invalid-raw-too-wide"
        "key-twice"
        "length-as-float"
        "length-over-64"
        "min-not-a-number"
        "min-not-below-max"
        "name-twice"
        "not-toml"
        "offset-not-a-number"
        "period-huge"
        "period-negative"
        "period-not-a-number"
        "request-beyond-longest-answer"
        "request-for-a-role-of-a-frame"
        "request-length-of-a-pid"
        "request-pid-too-large"
        "request-service-of-a-did"
        "request-that-answers-itself"
        "request-that-writes"
        "request-twice"
        "request-with-pid-and-did"
        "request-without-pid"
        "request-without-response-id"
        "request-without-signal"
        "role-and-name"
        "role-in-two-frames"
        "role-in-two-units"
        "role-twice"
        "role-twice-in-one-case"
        "role-twice-with-and-without-case"
        "scale-infinite"
        "scale-zero"
        "start-beyond-longest-frame"
        "start-negative"
        "timeout-zero"
        "unit-does-not-fit"
        "unknown-frame-key"
        "unknown-order"
        "unknown-role"
        "unknown-role-group"
        "unknown-signal-key"
        "unknown-table"
        "unknown-unit"
        "when-beyond-frame"
        "when-equals-too-wide"
        "when-not-a-table"
        "when-unknown-key"
        "when-without-equals"
        "without-decoder-table"
        "without-id"
        "without-length"
        "without-name"
        "without-order"
        "without-role-or-name"
        "without-start"
        "without-unit"
        "zero-length"
    };
    let said: String = gallery
        .into_iter()
        .map(|(fault, text)| match DecoderFile::parse(text) {
            Ok(_) => panic!("{fault}: accepted"),
            Err(error) => format!("{fault}: {error}\n"),
        })
        .collect();
    insta::assert_snapshot!(said, @r#"
    beyond-frame: line 10: start 56 and length 16 reach bit 71, but a frame of 8 bytes has bits 0 to 63; correct them, or the frame's length_bytes (more than 8 with CAN FD)
    beyond-longest-frame: line 10: start 504 and length 16 reach bit 519, but a frame of 64 bytes has bits 0 to 511; correct them
    beyond-short-frame: line 10: start 24 and length 16 reach bit 39, but a frame of 4 bytes has bits 0 to 31; correct them, or the frame's length_bytes (more than 8 with CAN FD)
    empty: [decoder] is missing; start the file with [decoder] and name = "..."
    empty-name: line 2: name is empty; write a text, or leave it out
    extended-as-number: line 6: extended must be true or false, not a whole number
    float-and-signed: line 15: a float has its own sign; leave signed out
    float-of-16-bits: line 10: length 16 is not possible; a float has 32 or 64 bits
    frame-in-single-brackets: line 4: write [[frame]], with double brackets
    frame-too-long: line 6: length_bytes 65 is not possible; a frame carries up to 8 data bytes, with CAN FD up to 64
    frame-twice: line 15: frame 0x1A0 is already described on line 4 for the same bus; put its signals there
    frame-twice-any-bus: line 15: frame 0x1A0 is already described on line 4 for the same bus; put its signals there
    id-as-text: line 5: id must be a whole number, not a text
    id-negative: line 5: id -1 is not an 11-bit id (0 to 0x7FF); correct it, or write extended = true for 29 bits
    id-too-large: line 5: id 0x800 is not an 11-bit id (0 to 0x7FF); correct it, or write extended = true for 29 bits
    id-too-large-extended: line 5: id 0x2000_0000 is not a 29-bit id (0 to 0x1FFFFFFF); correct it
    invalid-raw-negative: line 14: invalid_raw -1 does not fit the field's 16 bits (0 to 0xFFFF); correct it
    invalid-raw-not-a-list: line 14: invalid_raw must be a list of whole numbers, not a whole number
    invalid-raw-signed-too-wide: line 15: invalid_raw -32769 does not fit the field's 16 bits (-32768 to 0xFFFF); correct it
    invalid-raw-too-wide: line 14: invalid_raw 0x1_FFFF does not fit the field's 16 bits (0 to 0xFFFF); correct it
    key-twice: line 6: duplicate key; correct the TOML here
    length-as-float: line 10: length must be a whole number, not a number with a point
    length-over-64: line 10: length 65 is not possible; a field has 1 to 64 bits
    min-not-a-number: line 14: min nan is not a finite number; write one
    min-not-below-max: line 14: min 300 is not below max 0; correct them
    name-twice: line 14: the name "counter" is already in this frame, on line 7; change one of the two, or tell them apart with when
    not-toml: line 4: unclosed array table, expected "]"; correct the TOML here
    offset-not-a-number: line 14: offset nan is not a finite number; write one
    period-huge: line 6: period_ms 1000000000000 is not possible; write milliseconds above 0, up to one day
    period-negative: line 6: period_ms -10 is not possible; write milliseconds above 0, up to one day
    period-not-a-number: line 6: period_ms nan is not a finite number; write one
    request-beyond-longest-answer: line 9: start 65520 and length 16 reach bit 65535, but the longest answer read here has bits 0 to 65527; correct them
    request-for-a-role-of-a-frame: line 18: role engine.speed is already given on line 7 for the same bus; give one of the two a name instead
    request-length-of-a-pid: line 6: length_bytes is for the data of a did; leave it out with a pid
    request-pid-too-large: line 5: pid 0x10C is not a parameter number (0 to 0xFF); correct it
    request-service-of-a-did: line 5: service 0x01 does not read a did; use 0x22
    request-that-answers-itself: line 6: request and answer have the same id 0x7DF; correct one of them
    request-that-writes: line 5: service 0x04 does not read a pid; use 0x01 or 0x09
    request-twice: line 15: this is already asked for on line 4 on the same bus; put its signals there
    request-with-pid-and-did: line 6: a request has a pid or a did, not both; leave one out
    request-without-pid: line 4: what to read is missing in [[request]]; write pid = 0x0C for an OBD-II parameter, or did = 0xF40C for a data identifier
    request-without-response-id: line 4: response_id is missing in [[request]]; write the id of the answer as response_id = 0x7E8
    request-without-signal: line 4: signal is missing in [[request]]; write what the answer holds as [[request.signal]]
    role-and-name: line 14: the signal has a role and a name; leave one of them out
    role-in-two-frames: line 19: role wheel_speed.front_left is already given on line 7 for the same bus; give one of the two a name instead
    role-in-two-units: line 16: role wheel_speed.front_left has unit "m/s" here and "km/h" on line 7; use one unit for both
    role-twice: line 15: role wheel_speed.front_left is already in this frame, on line 7; change one of the two, or tell them apart with when
    role-twice-in-one-case: line 16: role wheel_speed.front_left is already in this frame, on line 7; change one of the two, or tell them apart with when
    role-twice-with-and-without-case: line 15: role wheel_speed.front_left is already in this frame, on line 7; change one of the two, or tell them apart with when
    scale-infinite: line 12: scale inf is not a finite number; write one
    scale-zero: line 12: scale 0 makes every value the same; write another
    start-beyond-longest-frame: line 9: start 512 is not a bit of a frame; the longest frame has bits 0 to 511; correct it
    start-negative: line 9: start -8 is not a bit of a frame; the longest frame has bits 0 to 511; correct it
    timeout-zero: line 6: timeout_ms 0 is not possible; write milliseconds above 0, up to one day
    unit-does-not-fit: line 13: unit "bar" does not fit role wheel_speed.front_left; use km/h, m/s, rad/s, rpm or deg/s
    unknown-frame-key: line 6: unknown key "period" in [[frame]]; use bus, id, extended, name, length_bytes, period_ms, timeout_ms or signal
    unknown-order: line 11: unknown order "middle"; write "big" or "little"
    unknown-role: line 8: unknown role "wheel_speed.middle"; use wheel_speed.front_left, wheel_speed.front_right, wheel_speed.rear_left or wheel_speed.rear_right, or give the signal a name instead
    unknown-role-group: line 8: unknown role "clutch"; use wheel_speed.front_left, wheel_speed.front_right, wheel_speed.rear_left, wheel_speed.rear_right, coupling.pressure, coupling.demand, coupling.temperature, coupling.pump_current, coupling.inhibited, engine.torque, engine.speed, pedal.accelerator, pedal.brake, gear, steering.angle, body.yaw_rate, body.accel_long, body.accel_lat, ground.speed, ambient.temperature, abs.active, traction.active or supply.voltage, or give the signal a name instead
    unknown-signal-key: line 13: unknown key "factor" in [[frame.signal]]; use role, name, start, length, order, signed, float, scale, offset, unit, min, max, invalid_raw or when
    unknown-table: line 4: unknown key "frames" in a decoder file; use decoder, frame or request
    unknown-unit: line 13: unknown unit "mph"; use one of km/h, m/s, rad/s, rpm, deg/s, bar, kPa, Pa, Nm, N, %, degC, K, deg, rad, g, m/s2, A, V or ""
    when-beyond-frame: line 15: start 60 and length 8 reach bit 67, but a frame of 8 bytes has bits 0 to 63; correct them, or the frame's length_bytes (more than 8 with CAN FD)
    when-equals-too-wide: line 14: equals 256 does not fit the selector's 8 bits (0 to 0xFF)
    when-not-a-table: line 14: when must be a table, not a whole number
    when-unknown-key: line 14: unknown key "is" in when; use start, length, order or equals
    when-without-equals: line 14: equals is missing in when; write the code that selects the signal as equals = 1
    without-decoder-table: [decoder] is missing; start the file with [decoder] and name = "..."
    without-id: line 4: id is missing in [[frame]]; write it as id = 0x1A0
    without-length: line 7: length is missing in [[frame.signal]]; write the number of bits as length = 16
    without-name: line 1: name is missing in [decoder]; write what the file describes, as name = "..."
    without-order: line 7: order is missing in [[frame.signal]]; write order = "big" or order = "little"
    without-role-or-name: line 7: the signal has no role and no name; write role = "...", or name = "..." for one without a role
    without-start: line 7: start is missing in [[frame.signal]]; write the first bit as start = 0
    without-unit: line 7: role wheel_speed.front_left needs a unit; use km/h, m/s, rad/s, rpm or deg/s
    zero-length: line 10: length 0 is not possible; a field has 1 to 64 bits
    "#);
}
