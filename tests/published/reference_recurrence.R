# Reference figures of R's package survival for recurrences, written as name,row,value.
#
#   Rscript reference_recurrence.R FOLDER > r_recurrence.csv
#
# FOLDER holds recurrences.csv: one row per stretch of watched time, event = 1 where it ends in a
# recurrence. Recorded with R 4.2.2, survival 3.5.3.
suppressMessages(library(survival))
folder <- commandArgs(trailingOnly = TRUE)[1]
cat("name,row,value\n")
put <- function(name, values) {
  cat(sprintf("%s,%d,%.15g\n", name, seq_along(values) - 1L, as.numeric(values)), sep = "")
}
put_curve <- function(name, fit) {
  put(paste0(name, ".time"), fit$time); put(paste0(name, ".n.risk"), fit$n.risk)
  put(paste0(name, ".cumhaz"), fit$cumhaz); put(paste0(name, ".std.chaz"), fit$std.chaz)
}
d <- read.csv(file.path(folder, "recurrences.csv"))
put_curve("plain", survfit(Surv(start, stop, event) ~ 1, d, id = id))
# survfit takes weights to stand for sampling, and squares them in its variance; only its estimate
# is compared. Whole weights are compared in full against units that are repeated.
fit <- survfit(Surv(start, stop, event) ~ 1, d, id = id, weights = weight)
put("weighted.time", fit$time); put("weighted.cumhaz", fit$cumhaz)
copies <- do.call(rbind, lapply(1:3, function(k) {
  part <- d[d$copies >= k, ]; part$id <- paste(part$id, k); part
}))
put_curve("copies", survfit(Surv(start, stop, event) ~ 1, copies, id = id))
for (k in 0:1) put_curve(paste0("group", k), survfit(Surv(start, stop, event) ~ 1, d[d$group == k, ], id = id))
# Robust score test of proportional rates, in three groups and in two.
put("score.three", summary(coxph(Surv(start, stop, event) ~ factor(group) + cluster(id), d, ties = "breslow"))$robscore)
put("score.two", summary(coxph(Surv(start, stop, event) ~ group + cluster(id), d[d$group < 2, ], ties = "breslow"))$robscore)
