//! Block moves give what single cycles give.

use proptest::prelude::*;

use super::*;

/// Runs of TMS that stay and move about, so that all states are passed and long shifts occur.
fn tms() -> impl Strategy<Value = Vec<bool>> {
    let run = prop_oneof![
        (any::<bool>(), 1..4usize).prop_map(|(b, n)| vec![b; n]),
        (1..200usize).prop_map(|n| vec![false; n]),
        Just(vec![true, false, false]),
        Just(vec![true, true, false, false]),
        prop::collection::vec(any::<bool>(), 1..20),
    ];
    prop::collection::vec(run, 1..30).prop_map(|runs| runs.concat())
}

const BENCHES: [&str; 4] = [
    "seed = 1\nfloating = \"neighbours\"",
    "seed = 2\n[[fault]]\nkind = \"short\"\nwires = [\"W1\", \"W2\"]\n[[fault]]\nkind = \"stuck\"\nwire = \"W3\"\nlevel = \"high\"",
    "seed = 3\n[[chain_fault]]\nkind = \"broken\"\nafter = \"U1\"\nreads = \"low\"\n[[device]]\nname = \"U2\"\nconfigured = true\nmission = { \"1-2\" = \"moving\" }",
    "seed = 4\n[[fault]]\nkind = \"intermittent\"\nwire = \"W2\"\n[[fault]]\nkind = \"resistive\"\nwire = \"W1\"",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]
    #[test]
    fn blocks_equal_single_cycles(which in 0..4usize, tms in tms(), tdi in any::<u64>(), cut in 1..400usize) {
        let mut chance = crate::simulator::chance::Chance::new(tdi);
        let tms: Bits = tms.into_iter().collect();
        let tdi: Bits = (0..tms.len()).map(|_| chance.bit()).collect();
        let mut block = Rig::new(4, BENCHES[which]);
        let mut single = Rig::new(4, BENCHES[which]);
        single.bench.one_by_one = true;
        let mut at = 0;
        while at < tms.len() {
            let n = cut.min(tms.len() - at);
            let (m, d) = (tms.slice(at, n), tdi.slice(at, n));
            let (a, b) = (block.bench.clock(&m, &d).unwrap(), single.bench.clock(&m, &d).unwrap());
            prop_assert_eq!(text(&a), text(&b), "from cycle {}", at);
            at += n;
        }
        prop_assert_eq!(seen(&block.bench), seen(&single.bench));
    }
}
