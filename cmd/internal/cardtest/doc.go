// Package cardtest makes a memory card for tests: an ext4 file system in a file, mounted
// through a loop device, whose power can be cut and which tells what was written to it. It needs
// root, and mkfs.ext4 of Debian's e2fsprogs.
//
// In: a size. Out: a mounted folder, what reached the device, and a cut of its power.
package cardtest
