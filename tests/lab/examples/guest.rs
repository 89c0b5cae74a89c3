//! The first process of the virtual machine, see `taploom_lab::kernel`. Started elsewhere it only says so.

fn main() {
    if std::process::id() != 1 {
        eprintln!("this is the first process of a virtual machine; tests/lab starts it");
        return;
    }
    taploom_lab::kernel::guest()
}
