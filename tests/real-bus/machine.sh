# The real-bus machine: a Debian kernel with CAN in an emulator, with nothing installed on the host.
# Sourced by `run`. Everything fetched is kept in $keep between runs.
#
#   machine_fetch                 packages, unpacked
#   machine_begin                 an empty file system for the guest, with the kernel's modules
#   machine_ship FILE...          programs for the guest, with the libraries they need
#   machine_ship_as NAME FILE     one, under another name
#   machine_seal                  the start-up image of it all
#   machine_disk FILE MEGABYTES [OPTION...]   a fresh ext4 image, by these options of mke2fs
#   machine_boot ARGUMENT...      boots; the guest runs `rig ARGUMENT...`; its exit code is ours
#
# machine_boot reads: MACHINE_DISK (image, seen as /disk), MACHINE_SECONDS (limit).

keep=${SLIPWRIGHT_REAL_BUS:-${XDG_CACHE_HOME:-$HOME/.cache}/slipwright/real-bus}
root=$keep/root           # the host programs and guest programs, unpacked
kernel=$keep/kernel       # the guest's kernel and modules, unpacked
libraries_here=$root/usr/lib/x86_64-linux-gnu:$root/lib/x86_64-linux-gnu:$root/lib/x86_64-linux-gnu/systemd
guest=$keep/guest.$$      # the guest's file system while it is put together, this run only

stop() { printf 'real-bus: %s\n' "$*" >&2; exit 2; }

# apt with the system's lists, or with lists of our own where those are empty or too old: neither
# needs root, and nothing of the system is changed.
apt_options=()
apt_update() {
    mkdir -p "$keep/apt/lists/partial" "$keep/apt/cache/archives/partial"
    apt_options=(-o "Dir::State::Lists=$keep/apt/lists" -o "Dir::Cache=$keep/apt/cache" -o "APT::Sandbox::User=root")
    apt-get "${apt_options[@]}" update -qq || stop "the package lists cannot be fetched; is there a network?"
}

apt_names() { apt-cache "${apt_options[@]}" depends "$1" | awk -v what="$2" '/Depends:/ && $2 ~ what { print $2 }'; }

# Sets `packages` and `image`.
machine_packages() {
    image=$(apt_names linux-image-amd64 '^linux-image-' | head -n 1)
    [ -n "$image" ] || return 1
    local emulator="qemu-system-x86 busybox-static systemd"
    # Libraries that this host has already are used in place; the simulation names the others.
    packages=$(
        {
            echo "$emulator qemu-system-common qemu-system-data seabios gpsd e2fsprogs libext2fs2 libcom-err2" \
                libsystemd-shared libsystemd0 | tr ' ' '\n'
            apt-get "${apt_options[@]}" install -s --no-install-recommends $emulator | awk '/^Inst/ && $3 !~ /^\[/ { print $2 }'
            apt_names gpsd '^lib'
        } | sort -u
    )
}

machine_download() {
    rm -rf "$root" "$kernel" "$keep/packages"
    mkdir -p "$root" "$kernel" "$keep/packages"
    (cd "$keep/packages" && apt-get "${apt_options[@]}" download -qq $packages "$image")
}

machine_fetch() {
    [ "$(uname -m)" = x86_64 ] || stop "this needs a 64-bit x86 machine; here it is $(uname -m)"
    command -v apt-get >/dev/null || stop "this needs apt-get, to download the emulator and a kernel"
    mkdir -p "$keep"
    # Two runs at once must not unpack over each other.
    exec 9>"$keep/lock"
    flock 9
    local packages image
    if ! machine_packages 2>/dev/null; then
        apt_update
        machine_packages || stop "no kernel package is known here; this needs Debian"
    fi
    if [ "$(cat "$keep/complete" 2>/dev/null)" != "$packages $image" ]; then
        rm -f "$keep/complete"
        if ! machine_download 2>/dev/null; then
            # Old lists name versions that the mirror no longer has.
            apt_update
            machine_packages || stop "no kernel package is known here; this needs Debian"
            machine_download || stop "a package could not be downloaded; see the line above"
        fi
        local file
        for file in "$keep"/packages/*.deb; do
            case $file in
                */linux-image-*) dpkg -x "$file" "$kernel" ;;
                *) dpkg -x "$file" "$root" ;;
            esac
        done
        rm -rf "$keep/packages" "$keep/apt"
        echo "$packages $image" >"$keep/complete"
    fi
    machine_kernel
    flock -u 9
}

# Booting the kernel unpacked saves more than two seconds of emulated decompression.
machine_kernel() {
    [ -s "$kernel/vmlinux" ] && return
    python3 - "$kernel"/boot/vmlinuz-* "$kernel/vmlinux.part" <<'PYTHON' || stop "the kernel could not be unpacked"
import lzma, sys
packed = open(sys.argv[1], "rb").read()
image = lzma.LZMADecompressor().decompress(packed[packed.index(b"\xfd7zXZ\0"):])
assert image[:4] == b"\x7fELF"
open(sys.argv[2], "wb").write(image)
PYTHON
    mv "$kernel/vmlinux.part" "$kernel/vmlinux"
}

# Copies a kernel module and, before it, whatever it says it needs; `order` lists them for loading.
module() {
    local name=$1 file need
    grep -qx "$name" "$guest/m/order" && return
    # A module's file may be spelled with the dash that its name cannot have.
    file=$(find "$kernel/lib/modules" -name "${name//_/[-_]}.ko" | head -n 1)
    [ -n "$file" ] || stop "the kernel package has no module $name"
    for need in $(grep -ao 'depends=[a-z0-9_,-]*' "$file" | head -n 1 | cut -d= -f2 | tr ,- ' _'); do
        module "$need"
    done
    cp "$file" "$guest/m/$name.ko"
    echo "$name" >>"$guest/m/order"
}

machine_begin() {
    # The recorder's own user must reach the programs, whoever runs this.
    umask 022
    mkdir -p "$guest"/{bin,dev,disk,lib64,m,proc,run,sys,tmp,usr/bin,usr/lib}
    : >"$guest/m/order"
    local name
    for name in can_raw can_isotp vcan kvaser_pci virtio_pci virtio_blk crc32c_generic ext4; do
        module "$name"
    done
    cp "$root/bin/busybox" "$guest/bin/"
    cp "$here/guest-init" "$guest/init"
    cp "$here/report" "$guest/"
}

machine_ship() {
    local program
    for program; do
        machine_ship_as "$(basename "$program")" "$program"
    done
}

machine_ship_as() {
    local name=$1 program=$2 libraries wanted found
    # Debug information would fill the guest's memory.
    strip -o "$guest/usr/bin/$name" "$program" 2>/dev/null || stop "$program cannot be read"
    libraries=$(LD_LIBRARY_PATH=$libraries_here ldd "$program")
    case $libraries in *'not found'*) stop "$program needs a library that is neither here nor in the packages" ;; esac
    while read -r wanted found; do
        [ -e "$guest/usr/lib/$(basename "$wanted")" ] || cp -L "$found" "$guest/usr/lib/$(basename "$wanted")"
    done < <(awk '$2 == "=>" { print $1, $3 } $1 ~ /^\// { print $1, $1 }' <<<"$libraries")
}

machine_seal() {
    cp "$guest/usr/lib/ld-linux-x86-64.so.2" "$guest/lib64/"
    # Not compressed: the emulated processor would take longer over it than the host's copying does.
    (cd "$guest" && find . | "$root/bin/busybox" cpio -o -H newc 2>/dev/null) >"$guest.start"
    rm -rf "$guest"
}

machine_disk() {
    local file=$1
    rm -f "$file"
    truncate -s "$2M" "$file"
    shift 2
    LD_LIBRARY_PATH=$libraries_here MKE2FS_CONFIG=$root/etc/mke2fs.conf \
        "$root/sbin/mke2fs" -q -t ext4 -E lazy_itable_init=1 "$@" "$file" || stop "no ext4 image could be made"
}

machine_boot() {
    local can=(-object can-bus,id=wire -device kvaser_pci,canbus=wire -device kvaser_pci,canbus=wire)
    local disk=()
    [ -n "${MACHINE_DISK:-}" ] && disk=(-drive "file=$MACHINE_DISK,if=virtio,format=raw,cache=writeback")
    local code=0
    # One processor: with two, the emulated controllers lose frames (README.md).
    LD_LIBRARY_PATH=$libraries_here timeout -k 5 "${MACHINE_SECONDS:-120}" "$root/usr/bin/qemu-system-x86_64" \
        -L "$root/usr/share/qemu" -L "$root/usr/share/seabios" -L "$root/usr/lib/ipxe/qemu" \
        -machine pc -accel tcg,thread=multi -cpu max -smp 1 -m 1024 \
        -pidfile "$guest.pid" -nodefaults -display none -no-reboot -serial stdio -nic none \
        -kernel "$kernel/vmlinux" -initrd "$guest.start" \
        -append "console=ttyS0 quiet panic=-1 -- $*" \
        -device isa-debug-exit,iobase=0xf4,iosize=0x04 \
        "${can[@]}" "${disk[@]}" </dev/null &
    # Waited for, and not run in front: a signal to this script is then obeyed at once.
    wait $! || code=$?
    # The emulator exits with twice the guest's byte plus one; anything else is not the guest's word.
    case $code in
        33) return 0 ;;
        41) return 1 ;;
        *) return 99 ;;
    esac
}
