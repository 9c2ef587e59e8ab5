# The real-bus machine: a Debian kernel with CAN in an emulator, with nothing installed on the host.
# Sourced by `run`. Everything fetched is kept in $keep between runs.
#
#   machine_fetch                 packages, unpacked
#   machine_prepare               kernel, start-up image
#   machine_ship FILE...          programs for the guest, with the libraries they need
#   machine_ship_as NAME FILE     one, under another name
#   machine_disk FILE MEGABYTES   a fresh ext4 image
#   machine_boot ARGUMENT...      boots; the guest runs `rig ARGUMENT...`; its exit code is ours
#
# machine_boot reads: MACHINE_DISK (image, seen as /disk), MACHINE_SECONDS (limit), MACHINE_CPUS.

keep=${SLIPWRIGHT_REAL_BUS:-${XDG_CACHE_HOME:-$HOME/.cache}/slipwright/real-bus}
root=$keep/root           # the host programs and guest programs, unpacked
kernel=$keep/kernel       # the guest's kernel and modules, unpacked
share=$keep/share.$$      # what the guest sees as /share, this run only

stop() { printf 'real-bus: %s\n' "$*" >&2; exit 2; }

machine_fetch() {
    [ "$(uname -m)" = x86_64 ] || stop "this needs a 64-bit x86 machine; here it is $(uname -m)"
    command -v apt-get >/dev/null || stop "this needs apt-get, to download the emulator and a kernel"
    mkdir -p "$keep"
    # Two runs at once must not unpack over each other.
    exec 9>"$keep/lock"
    flock 9
    local emulator="qemu-system-x86 busybox-static" image
    if ! apt-cache show linux-image-amd64 >/dev/null 2>&1; then
        apt-get update -qq || stop "the package lists are empty and cannot be fetched; run apt-get update as root"
    fi
    image=$(apt-cache depends linux-image-amd64 | awk '/Depends: linux-image-/ { print $2; exit }')
    [ -n "$image" ] || stop "no kernel package is known here; run apt-get update as root"
    # Libraries that this host has already are used in place; the simulation names the others.
    local packages
    packages=$(
        {
            echo "$emulator qemu-system-common qemu-system-data seabios gpsd" | tr ' ' '\n'
            apt-get install -s --no-install-recommends $emulator | awk '/^Inst/ { print $2 }'
            apt-cache depends gpsd | awk '/Depends: lib/ { print $2 }'
        } | sort -u
    )
    if [ "$(cat "$keep/complete" 2>/dev/null)" != "$packages $image" ]; then
        rm -rf "$root" "$kernel" "$keep/packages"
        mkdir -p "$root" "$kernel" "$keep/packages"
        (cd "$keep/packages" && apt-get download -qq $packages "$image") ||
            stop "a package could not be downloaded; see the line above"
        local file
        for file in "$keep"/packages/*.deb; do
            case $file in
                */linux-image-*) dpkg -x "$file" "$kernel" ;;
                *) dpkg -x "$file" "$root" ;;
            esac
        done
        rm -rf "$keep/packages"
        echo "$packages $image" >"$keep/complete"
    fi
    flock -u 9
}

# Copies a kernel module and, before it, whatever it says it needs; `order` lists them for loading.
module() {
    local name=$1 file need
    grep -qx "$name" "$share/start/m/order" && return
    # A module's file may be spelled with the dash that its name cannot have.
    file=$(find "$kernel/lib/modules" -name "${name//_/[-_]}.ko" | head -n 1)
    [ -n "$file" ] || stop "the kernel package has no module $name"
    for need in $(grep -ao 'depends=[a-z0-9_,-]*' "$file" | head -n 1 | cut -d= -f2 | tr ,- ' _'); do
        module "$need"
    done
    cp "$file" "$share/start/m/$name.ko"
    echo "$name" >>"$share/start/m/order"
}

machine_prepare() {
    # Booting the kernel unpacked saves more than two seconds of emulated decompression.
    if [ ! -s "$kernel/vmlinux" ]; then
        python3 - "$kernel"/boot/vmlinuz-* "$kernel/vmlinux.part" <<'PYTHON' || stop "the kernel could not be unpacked"
import lzma, sys
packed = open(sys.argv[1], "rb").read()
image = lzma.LZMADecompressor().decompress(packed[packed.index(b"\xfd7zXZ\0"):])
assert image[:4] == b"\x7fELF"
open(sys.argv[2], "wb").write(image)
PYTHON
        mv "$kernel/vmlinux.part" "$kernel/vmlinux"
    fi
    mkdir -p "$share/bin" "$share/lib" "$share/start/m"
    : >"$share/start/m/order"
    local name
    for name in can_raw can_isotp vcan kvaser_pci virtio_pci virtio_blk crc32c_generic ext4 9p 9pnet_virtio; do
        module "$name"
    done
    mkdir -p "$share/start"/{bin,proc,sys,dev,run,tmp,disk,share,lib64}
    cp "$root/bin/busybox" "$share/start/bin/"
    cp "$here/guest-init" "$share/start/init"
    (cd "$share/start" && find . | "$root/bin/busybox" cpio -o -H newc 2>/dev/null) | gzip -1 >"$share.start.gz"
    rm -rf "$share/start"
}

machine_ship() {
    local program
    for program; do
        machine_ship_as "$(basename "$program")" "$program"
    done
}

machine_ship_as() {
    local name=$1 program=$2 libraries wanted found
    # Debug information would only be read through the emulator's slow file share.
    strip -o "$share/bin/$name" "$program"
    libraries=$(LD_LIBRARY_PATH=$root/usr/lib/x86_64-linux-gnu:$root/lib/x86_64-linux-gnu ldd "$program")
    case $libraries in *'not found'*) stop "$program needs a library that is neither here nor in the packages" ;; esac
    while read -r wanted found; do
        [ -e "$share/lib/$(basename "$wanted")" ] || cp -L "$found" "$share/lib/$(basename "$wanted")"
    done < <(awk '$2 == "=>" { print $1, $3 } $1 ~ /^\// { print $1, $1 }' <<<"$libraries")
}

machine_disk() {
    rm -f "$1"
    truncate -s "$2M" "$1"
    PATH=$PATH:/sbin:/usr/sbin mke2fs -q -t ext4 -E lazy_itable_init=1 "$1" || stop "no ext4 image could be made"
}

machine_boot() {
    local can=(-object can-bus,id=wire -device kvaser_pci,canbus=wire -device kvaser_pci,canbus=wire)
    local disk=()
    [ -n "${MACHINE_DISK:-}" ] && disk=(-drive "file=$MACHINE_DISK,if=virtio,format=raw,cache=writeback")
    local code=0
    LD_LIBRARY_PATH=$root/usr/lib/x86_64-linux-gnu:$root/lib/x86_64-linux-gnu \
        timeout -k 5 "${MACHINE_SECONDS:-120}" "$root/usr/bin/qemu-system-x86_64" \
        -L "$root/usr/share/qemu" -L "$root/usr/share/seabios" -L "$root/usr/lib/ipxe/qemu" \
        -machine pc -accel tcg,thread=multi -cpu max -smp "${MACHINE_CPUS:-1}" -m 768 \
        -pidfile "$share.pid" -nodefaults -display none -no-reboot -serial stdio -nic none \
        -kernel "$kernel/vmlinux" -initrd "$share.start.gz" \
        -append "console=ttyS0 quiet panic=-1 -- $*" \
        -device isa-debug-exit,iobase=0xf4,iosize=0x04 \
        -virtfs "local,path=$share,mount_tag=share,security_model=none,readonly=on" \
        "${can[@]}" "${disk[@]}" </dev/null || code=$?
    # The emulator exits with twice the guest's byte plus one; anything else is not the guest's word.
    case $code in
        33) return 0 ;;
        41) return 1 ;;
        *) return 99 ;;
    esac
}
