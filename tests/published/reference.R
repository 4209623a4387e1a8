# Reference figures of R's package survival, written as name,row,value.
#
#   Rscript reference.R FOLDER > r_survival.csv
#
# FOLDER holds channing.csv (KMsurv), shock_absorbers.csv and clustered_lives.csv.
# genfan and valveSeat come with the package. Recorded with R 4.2.2, survival 3.5.3.
suppressMessages(library(survival))
folder <- commandArgs(trailingOnly = TRUE)[1]
cat("name,row,value\n")
put <- function(name, values) {
  cat(sprintf("%s,%d,%.15g\n", name, seq_along(values) - 1L, as.numeric(values)), sep = "")
}
put_curve <- function(name, fit) {
  s <- summary(fit, censored = TRUE)
  for (part in c("time", "n.risk", "n.event", "surv", "std.err", "lower", "upper", "cumhaz", "std.chaz"))
    put(paste0(name, ".", part), s[[part]])
}

# Fan failures (Nelson 1982): no late entry.
put_curve("genfan", survfit(Surv(hours, status) ~ 1, genfan, conf.type = "log-log"))
fit <- survreg(Surv(hours, status) ~ 1, genfan, dist = "weibull",
               control = list(rel.tolerance = 1e-14))
put("genfan.weibull", c(1 / fit$scale, exp(coef(fit)), fit$loglik[2], vcov(fit)))

# Valve seats (Nelson 1995): two engines have two replacements on one day; the first of such a
# pair is put 0.1 day earlier, so that R's rows have a length.
v <- valveSeat[order(valveSeat$id, valveSeat$time), ]
tied <- c(diff(v$time) == 0 & diff(v$id) == 0, FALSE)
v$time[tied] <- v$time[tied] - 0.1
v$start <- c(0, head(v$time, -1)); v$start[!duplicated(v$id)] <- 0
fit <- survfit(Surv(start, time, status) ~ 1, v, id = id)
put("valves.time", fit$time); put("valves.n.risk", fit$n.risk); put("valves.n.event", fit$n.event)
put("valves.cumhaz", fit$cumhaz); put("valves.std.chaz", fit$std.chaz)

# Retirement centre (Klein and Moeschberger 2003): late entry at ageentry, in months.
ch <- read.csv(file.path(folder, "channing.csv"))
ch <- ch[ch$ageentry < ch$age, ]
put_curve("channing", survfit(Surv(ageentry, age, death) ~ 1, ch, conf.type = "log-log"))
late <- subset(ch, age > 780); late$ageentry <- pmax(late$ageentry, 780)
put_curve("channing_from_780", survfit(Surv(ageentry, age, death) ~ 1, late, conf.type = "log-log"))

# Shock absorbers (Meeker and Escobar 1998, p. 630): two causes.
sa <- read.csv(file.path(folder, "shock_absorbers.csv"))
sa$mode <- factor(sa$failure_mode, c("censored", "mode_1", "mode_2"))
fit <- survfit(Surv(distance, mode) ~ 1, sa, id = seq_len(nrow(sa)))
put("shock.time", fit$time)
for (k in 2:3) { put(paste0("shock.pstate", k - 1), fit$pstate[, k]); put(paste0("shock.std.err", k - 1), fit$std.err[, k]) }
for (k in 0:2) {
  fit <- survreg(Surv(distance, if (k == 0) status else failure_mode == paste0("mode_", k)) ~ 1, sa,
                 control = list(rel.tolerance = 1e-14))
  put(paste0("shock.weibull", k), c(1 / fit$scale, exp(coef(fit)), fit$loglik[2], vcov(fit)))
}
fit <- survreg(Surv(distance, status) ~ 1, sa, dist = "exponential", control = list(rel.tolerance = 1e-14))
put("shock.exponential", c(exp(coef(fit)), fit$loglik[2], vcov(fit)))

# Interval-censored turbine wheels (Nelson 1982): failed before or after their only inspection.
tw <- with(turbine, data.frame(hours = rep(hours, 2), n = c(failed, inspected - failed),
                               bad = rep(1:0, each = nrow(turbine))))
tw <- tw[tw$n > 0, ]
tw$left <- ifelse(tw$bad == 1, NA, tw$hours); tw$right <- ifelse(tw$bad == 1, tw$hours, NA)
fit <- survreg(Surv(left, right, type = "interval2") ~ 1, tw, weights = n,
               control = list(rel.tolerance = 1e-14))
put("turbine.weibull", c(1 / fit$scale, exp(coef(fit)), fit$loglik[2], vcov(fit)))

# Lives of clusters, with late entry and ties (made for this test).
cl <- read.csv(file.path(folder, "clustered_lives.csv"))
cl$event <- cl$cause > 0
put_curve("clustered.plain", survfit(Surv(entry, exit, event) ~ 1, cl, conf.type = "log-log"))
put_curve("clustered.robust", survfit(Surv(entry, exit, event) ~ 1, cl, cluster = cluster,
                                      robust = TRUE, conf.type = "log-log"))
put_curve("clustered.weighted", survfit(Surv(entry, exit, event) ~ 1, cl, cluster = cluster,
                                        weights = weight, robust = TRUE, conf.type = "log-log"))
cl$state <- factor(cl$cause, 0:2)
# With several states survfit takes id and leaves cluster aside, so the influence of each life
# (its first column is the time before all others) is added up by cluster here.
for (w in c("plain", "weighted")) {
  cl$w <- if (w == "plain") 1 else cl$weight
  fit <- survfit(Surv(entry, exit, state) ~ 1, cl, id = seq_len(nrow(cl)), weights = w, influence = TRUE)
  put(paste0("incidence.", w, ".time"), fit$time)
  for (k in 2:3) {
    grouped <- rowsum(cl$w * fit$influence.pstate[, -1, k], cl$cluster)
    put(paste0("incidence.", w, ".pstate", k - 1), fit$pstate[, k])
    put(paste0("incidence.", w, ".std.err", k - 1), sqrt(colSums(grouped^2)))
  }
}
# survreg's own robust variance leaves the weights out of the residuals; these have them.
fit <- survreg(Surv(exit, event) ~ 1, cl, weights = weight, control = list(rel.tolerance = 1e-14))
moved <- residuals(fit, "dfbeta", collapse = cl$cluster, weighted = TRUE)
put("clustered.weibull", c(1 / fit$scale, exp(coef(fit)), fit$loglik[2], crossprod(moved)))

# Log-rank: ties but no late entry in survdiff; late entry without ties as a Cox score test,
# where the two agree.
put("log_rank.groups", survdiff(Surv(exit, event) ~ group, cl)$chisq)
put("log_rank.strata", survdiff(Surv(exit, event) ~ group + strata(stratum), cl)$chisq)
un <- cl[!duplicated(cl$exit) & !(cl$exit %in% cl$entry), ]
un$score <- as.integer(factor(un$group))
put("log_rank.late", coxph(Surv(entry, exit, event) ~ group, un)$score)
put("log_rank.trend", coxph(Surv(entry, exit, event) ~ score, un)$score)
put("log_rank.late_strata", coxph(Surv(entry, exit, event) ~ group + strata(stratum), un)$score)
