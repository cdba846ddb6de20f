// Package parts is what a club orders for its repairs, and when that arrives.
//
// # Vocabulary
//
// A Supplier is who something is ordered from. An Order is what was ordered of one
// at one time, line by line: a pin of a series' step, or anything else. An Arrival is
// one parcel, which holds a part of the order or all of it; an order has arrived when
// nothing of it is missing. The service orders nothing: it keeps what a member ordered.
//
// # When it arrives
//
// A Delivery is the law of how many calendar days a supplier takes (package
// leadtime), from the supplier's newest orders: one that arrived says how long it took
// until the last parcel, since that is what a repair waits for; one that is open, or
// was cancelled, that it takes longer than that. Delivery days that were recorded
// with a pin series count too, where the series names the supplier.
// Days are dates: that of ordering, and that of an arrival by the clock where it arrived.
//
// # What it does not do
//
// It pays nothing, and knows no stock: what was left over of an earlier order is not
// taken off what a repair needs.
package parts
