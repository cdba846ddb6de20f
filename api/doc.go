// Package api is the HTTP surface: it routes by the contract, checks requests
// in one order (authenticate, club, role, validate, key, existence), composes the
// domain packages in one transaction and renders answers and problems. It
// decides nothing of the domain itself.
//
// Reads go through Server.read, writes through Server.write, photos through
// Server.upload, calculators through Server.calculate; there is no other way to the database or the wire.
package api
