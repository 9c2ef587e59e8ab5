//! A picture is well formed and says what was driven.

use super::*;

#[test]
fn a_picture_has_every_drive_and_is_well_formed() {
    let text = "name = \"two\"\n\
                [[fault]]\ncause = \"weak_pump\"\nseverity = 0.5\nonset_s = 3\n\
                [[drive]]\nleft = \"ice\"\n[[drive.manoeuvre]]\nkind = \"launch\"\n\
                [[drive]]\nname = \"other\"\n[[drive.manoeuvre]]\nkind = \"stand\"\n";
    let svg = scenario_svg(&Scenario::parse(text, None).unwrap());
    for words in [
        ">two-1<",
        ">other<",
        ">launch<",
        "weak pump 0.5 from 3 s on",
        ">ice | dry<",
        "stroke-dasharray",
    ] {
        assert!(svg.contains(words), "{words}");
    }
    assert!(!svg.contains("NaN") && !svg.contains("inf"));
    for element in ["text", "svg"] {
        let opened = svg.matches(&format!("<{element}")).count();
        let closed = svg.matches(&format!("</{element}>")).count();
        assert_eq!(opened, closed, "{element}");
    }
    assert_eq!(svg, scenario_svg(&Scenario::parse(text, None).unwrap()));
}
