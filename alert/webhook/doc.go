// Package webhook sends notices to an HTTP receiver: the notice as JSON, or any body that a
// template makes of it, which suits chat and push services. Address and keys can be kept in
// files, and are never shown.
//
// In: notices. Out: HTTP requests.
package webhook
