//! What a decoder file may say and is warned of, and what looks like it and is not.

use super::parse;

#[test]
fn what_is_suspicious_is_a_warning() {
    let check = |signals: &str, expected: &[&str]| {
        let text = format!("decoder.name = \"w\"\n[[frame]]\nid = 5\nperiod_ms = 10\n{signals}");
        let warnings: Vec<String> = parse(&text)
            .warnings
            .iter()
            .map(ToString::to_string)
            .collect();
        assert_eq!(warnings, expected);
    };
    let signal = |name: &str, start: u8, more: &str| {
        format!("[[frame.signal]]\n{name}\nstart = {start}\nlength = 8\norder = \"big\"\n{more}\n")
    };
    let when = |equals: u8| {
        format!("when = {{ start = 56, length = 8, order = \"big\", equals = {equals} }}")
    };
    let pair = |a: &str, b: &str| signal("name = \"a\"", 0, a) + &signal("name = \"b\"", 7, b);
    check(
        &pair("", ""),
        &["line 11: the name \"b\" shares bits with the name \"a\" on line 5"],
    );
    check(
        &pair(&when(1), &when(1)),
        &["line 11: the name \"b\" shares bits with the name \"a\" on line 5"],
    );
    check(
        &pair(&when(1), ""),
        &["line 11: the name \"b\" shares bits with the name \"a\" on line 5"],
    );
    check(&pair(&when(1), &when(2)), &[]);
    // A big and a little field of the same byte.
    let mixed =
        signal("name = \"a\"", 8, "") + &signal("name = \"b\"", 8, "").replace("big", "little");
    check(
        &mixed,
        &["line 11: the name \"b\" shares bits with the name \"a\" on line 5"],
    );
    check(
        &signal("name = \"a\"", 50, &when(1)),
        &["line 5: the name \"a\" shares bits with its own selector in when"],
    );
    check(
        &signal("name = \"gear\"", 0, ""),
        &[
            "line 5: the name \"gear\" is that of a role, but only role = \"gear\" gives the signal its meaning",
        ],
    );
    let again =
        signal("name = \"a\"", 0, "") + "[[frame]]\nid = 6\ntimeout_ms = 5\nperiod_ms = 7\n";
    check(
        &(again + &signal("name = \"a\"", 0, "")),
        &[
            "line 11: timeout_ms 5 is below period_ms 7: every value is out of date before the next one comes",
            "line 15: the name \"a\" is also on line 5; tables cannot tell the two apart",
        ],
    );
    let asked = "[[request]]\npid = 0x0D\nperiod_ms = 200\ntimeout_ms = 100\n";
    check(
        &(signal("name = \"a\"", 0, "")
            + asked
            + &signal("name = \"b\"", 0, "").replace("frame", "request")),
        &[
            "line 11: timeout_ms 100 is below period_ms 200: every value is out of date before the next one comes",
        ],
    );
    let empty = parse("decoder.name = \"e\"\n").warnings;
    assert_eq!(
        empty.iter().map(ToString::to_string).collect::<Vec<_>>(),
        ["no [[frame]] and no [[request]]: this decoder file decodes nothing"]
    );
}

#[test]
fn a_role_may_be_in_several_cases_and_on_several_buses() {
    let signal = |equals: u8| {
        format!(
            "[[frame.signal]]\nrole = \"gear\"\nstart = 0\nlength = 8\norder = \"big\"\n\
             when = {{ start = 56, length = 8, order = \"big\", equals = {equals} }}\n"
        )
    };
    let frame = |bus: &str| {
        format!(
            "[[frame]]\nid = 5\nbus = \"{bus}\"\n{}",
            signal(0) + &signal(1)
        )
    };
    let text = format!("decoder.name = \"m\"\n{}{}", frame("can0"), frame("can1"));
    assert_eq!(parse(&text).warnings, []);
}
