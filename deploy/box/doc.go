// Package box holds a board in a box: Debian with its kernel, systemd and the project's package on
// disks that the script image makes, run by qemu in software, with 256 MB, a clock without a
// battery, a watchdog, a serial line to a slave that others wrote, and no network beyond this
// machine. Its test cuts the power of the board again and again.
//
// In: a package. Out: a board that came up by itself each time, and what reached its owner.
package box
