// Package loan is what happens over the counter: tools go out, come back, stay
// longer, change hands, are lost and found, and are looked at.
//
// A loan is of one booking, so nothing goes out that was not reserved, if only
// in the same transaction; and a tool has one open loan at most. People bring tools
// and a member's number, not reservations, so every act starts from the tools: it
// locks them in the order of their ids, reads behind the locks what they are
// promised for, decides, and writes. What it decides about time goes by when it
// happened, by the word of whoever records it, which may be some time ago.
//
// A tool that leaves service takes its later promises along: each is moved to an
// equal where there is one, and told to be endangered where there is none.
package loan
