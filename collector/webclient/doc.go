// Package webclient makes the HTTP clients of everything that ebbwatch asks or tells others:
// bounded in time and in the size of headers, with our name, and careful about redirects. In
// comes what a part needs, out goes a client. It belongs to no part and imports none.
//
// In: what a part needs of a client. Out: the client.
package webclient
