// Package fund foretells the balance of a fund that tools are sharpened and
// replaced from: month by month, with how likely it is to run out, and what would keep
// that unlikely.
//
// # The model
//
// Tools are asked for in jobs. The jobs of a month are Poisson with a rate that is not known
// but gamma distributed, the same for all months of one future (so that their
// number is negative binomial); of what is booked already there are at least as many. A job takes a number of
// uses, as one of those seen before did. It brings so much a job and so much a use.
//
// Each use wears one tool. Those of a pool share its jobs: each job goes to the tool that has taken the fewest
// uses so far. After as many uses as its life has, a tool is sharpened, or replaced where it was sharpened as
// often as it can be; that costs, and a new life begins in the midst of the job. What is left of the present life is
// a distribution, too. A life that is used up already ends in the first month, whatever is asked for.
//
// The fund is settled at the end of each month: what came in during it counts before it is asked
// whether the balance is below nothing. Tools are replaced though the fund has run out.
//
// # How it is computed
//
// By simulation with a seed, so that equal questions get equal answers. Each source of jobs and each tool has
// numbers of its own for each future, found by its key: the order in which they are named changes nothing, and a
// question that differs in a price, in a payment or by another tool meets the same futures (common random
// numbers; e.g. A. M. Law, Simulation Modeling and Analysis, 11.2). Jobs are drawn by
// inversion, so more demand in a question never means fewer jobs in any future.
//
// In one future the balance grows with the charge in each month, so there is one charge from which on it
// does not fail. Which charge keeps failure at a risk is an order statistic of those: nothing is searched for, and more
// is never worse.
//
// # Errors
//
// Estimates carry the standard error of the simulation, from batches of futures of
// equal size (the method of batch means, ibid. 9.5). It is the error of drawing only, and not the doubt about
// demand and lives, which is in the distributions themselves. Where no future showed something, the error is
// 0 and what is known is that its probability is hardly above 3 / Paths (the rule of three).
//
// # Units
//
// Money in minor units of one currency, time in months from today; month 0 is today.
//
// # What it does not do
//
// It knows no seasons, no interest and no rise in prices. Nobody is kept away by a higher charge, jobs come
// independently of one another, and tools wear independently of how often they are asked for.
package fund
