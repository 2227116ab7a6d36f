// Package decode fills the structs of a configuration from YAML, for the whole file and for each
// source, channel and register map alike. It walks the YAML tree itself, because every node of it
// knows its line and column: so all mistakes of all files are told at once, each with its place,
// instead of the first one alone.
//
// In: YAML and a struct. Out: the struct filled, or problems with their places.
//
// What comes in is a file and a struct; what goes out is the struct, filled, and every
// [Problem] with its place. A source or channel decodes its own part through the [Section] that
// it is handed. The fields of a struct that keys decode into may carry these tags:
//
//	yaml:"baud"           the key; without it the field's name in lower case
//	yaml:"-"              not a key
//	yaml:",inline"        a map or slice that takes the keys which no other field claims
//	yaml:",key"           in the elements of a slice: the slice is written as a mapping, in
//	                      the order of the file, and this field takes each key
//	yaml:",value"         takes a plain value written in place of the whole struct
//	need:"true"           the key must be there
//	default:"9600"        used when the key is absent; words for a list
//	range:"1..247"        limits, of a number or duration; an end may be left out
//	len:"12" len:"1..32"  the number of entries of a list or mapping
//	oneof:"mppt pwm"      the only values allowed
//	path:"true"           text that is made relative to the folder of the configuration
//	secret:"true"         never shown in a message
//	hint:"a ratio"        added in brackets to messages about the value
//	doc:"…" example:"…"   for a reference made of the [Fields]
//
// Types: string, bool, every int and uint (also in hexadecimal), float32 and float64 (never
// infinite), [time.Duration] (10s, 1h30m, 2d), pointers (nil when absent), slices, maps with
// keys of any plain type, structs, [encoding.TextUnmarshaler], and [Section] or an interface
// that *Section satisfies for what is decoded later. A struct with a method
//
//	Check(problem func(key, what string))
//
// is asked after it was filled, unless a problem was found in it already; keys such as
// registers[3].address are relative to the struct, and messages read "key: what".
//
// Text is taken as it stands: an unquoted 0123 or yes meant for a string stays so. A number
// in quotes is refused where a number is meant.
package decode
