// Package mail sends notices by mail through an SMTP server, over TLS.
//
// In: notices. Out: mails.
package mail
