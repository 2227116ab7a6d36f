// Package config is the configuration of a node. [Load] decodes the whole file, has each source
// and channel that it names build itself from its own section, and gives either the configuration
// or all that is wrong with it; [Reference] is an annotated file with every key. How keys become
// fields is the business of collector/decode.
//
// In: a file. Out: a [Config], or every mistake with file, line and column.
package config
