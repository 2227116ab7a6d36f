// Package hwmon reads the sensors that the Linux kernel shows in sysfs: shunt monitors,
// converters and thermometers, through the classes hwmon and iio. Units are as the kernel's
// ABI says (Documentation/hwmon/sysfs-interface, ABI/testing/sysfs-bus-iio); the trap is
// power, in microwatts in one class and in milliwatts in the other. Chips are found by name,
// for their numbers change from one start to the next.
//
// In: files of sysfs. Out: values.
package hwmon
