# A disk with systemd, the recorder's unit as shipped, and the test program. Sourced by `run`.
#
#   service_disk FILE   makes it; boot it with `machine_boot systemd`
#
# Expects the machine fetched, and the programs shipped (machine.sh).

service_disk() {
    local tree=$guest.tree name before=$guest.before-service
    cp -a "$guest" "$before"
    machine_ship "$root"/bin/{systemctl,journalctl,systemd-sysusers} "$root"/lib/systemd/{systemd,systemd-journald}
    mkdir -p "$tree"/{dev,proc,run,sys,tmp,usr/bin,usr/lib/systemd/system,usr/lib/sysusers.d,usr/lib64,usr/sbin}
    mkdir -p "$tree"/{var/lib,var/log,etc/systemd/system/slipwright-recorder.service.d}
    for name in bin lib lib64 sbin; do ln -s "usr/$name" "$tree/$name"; done
    cp -a "$guest/usr/bin/." "$tree/usr/bin/"
    cp -a "$guest/usr/lib/." "$tree/usr/lib/"
    cp "$guest/usr/lib/ld-linux-x86-64.so.2" "$tree/usr/lib64/"
    cp "$root/bin/busybox" "$tree/usr/bin/"
    for name in sh dd kill umount poweroff; do ln -s busybox "$tree/usr/bin/$name"; done
    for name in systemd systemd-journald; do mv "$tree/usr/bin/$name" "$tree/usr/lib/systemd/"; done
    # The units themselves, and nothing that would start by itself.
    cp "$root"/lib/systemd/system/{basic,sysinit,sockets,shutdown,umount,local-fs}.target \
        "$root"/lib/systemd/system/systemd-journald{.service,.socket,-dev-log.socket} "$tree/usr/lib/systemd/system/"
    cp "$here"/service/rig.* logger/service/slipwright-recorder.service "$tree/etc/systemd/system/"
    cp "$here/service/test.conf" "$tree/etc/systemd/system/slipwright-recorder.service.d/"
    cp logger/service/slipwright.sysusers "$tree/usr/lib/sysusers.d/slipwright.conf"
    ln -s rig.target "$tree/etc/systemd/system/default.target"
    cp "$here/report" "$tree/"
    echo 'root:x:0:0:root:/:/bin/sh' >"$tree/etc/passwd"
    echo 'root:x:0:' >"$tree/etc/group"
    printf 'passwd: files\ngroup: files\n' >"$tree/etc/nsswitch.conf"
    echo 0123456789abcdef0123456789abcdef >"$tree/etc/machine-id"
    echo 'ID=guest' >"$tree/etc/os-release"
    machine_disk "$1" 512 -d "$tree"
    # The other guests need nothing of this.
    rm -rf "$tree" "$guest"
    mv "$before" "$guest"
}
