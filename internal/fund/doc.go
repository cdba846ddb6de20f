// Package fund tells a club how the fund that its tools are replaced from will fare, and what a
// change would do to it.
//
// # What goes in
//
// The balance is what the books put by for tools. What tools are asked for is learned from the loans and recorded uses
// of the last two years; what is booked already counts as a least. What a use brings is what was charged, else what
// package tariff charges by; what a tool costs is what the club said of its model, else what it is worth; how long it lasts
// is what package cutting learned, else the model's expected life. Each tool says which it was. Package calc/fund plays the
// months to come.
//
// # Changes
//
// A Change is asked about, never made. The forecast without it and the one with it meet the very same futures,
// so that what differs is the change and not chance.
//
// # What it does not do
//
// It writes nothing and books nothing. A tool that nobody borrowed in two years is left out: nothing is
// learned about when it will wear.
package fund
