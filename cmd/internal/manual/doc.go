// Package manual makes what people read of the program from one text: the pages of the handbook
// for a terminal, and manual pages in roff of the commands, the configuration and the handbook.
//
// In: Markdown (the small part of it that [Parse] knows), the tree of commands, the annotated
// configuration. Out: text. It prints nothing itself.
package manual
