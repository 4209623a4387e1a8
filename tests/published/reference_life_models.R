# Life models of R's package survival, written as name,row,value.
#
#   Rscript reference_life_models.R FOLDER > r_life_models.csv
#
# FOLDER holds shock_absorbers.csv; genfan and turbine come with the package. Recorded with R 4.2.2,
# survival 3.5.3. Each fit gives its intercept, scale and log-likelihood, then the covariance of
# the intercept and the log of the scale.
suppressMessages(library(survival))
folder <- commandArgs(trailingOnly = TRUE)[1]
cat("name,row,value\n")
put <- function(name, values)
  cat(sprintf("%s,%d,%.15g\n", name, seq_along(values) - 1L, as.numeric(values)), sep = "")
put_fits <- function(name, y, data, weights = rep(1, nrow(data))) {
  data$y <- y; data$w <- weights
  for (dist in c("weibull", "exponential", "lognormal", "loglogistic")) {
    # A first fit gives the second its start, so that its covariance comes from the very top.
    for (start in 1:2)
      fit <- survreg(y ~ 1, data, weights = w, dist = dist,
                     init = if (start == 2) c(coef(fit), if (dist != "exponential") log(fit$scale)),
                     control = list(rel.tolerance = 1e-14, maxiter = 100))
    put(paste(name, dist, sep = "."), c(coef(fit), fit$scale, fit$loglik[2], vcov(fit)))
  }
}
put_fits("fans", with(genfan, Surv(hours, status)), genfan)
tw <- with(turbine, data.frame(hours = rep(hours, 2), n = c(failed, inspected - failed),
                               bad = rep(1:0, each = nrow(turbine))))
tw <- tw[tw$n > 0, ]
left <- ifelse(tw$bad == 1, NA, tw$hours); right <- ifelse(tw$bad == 1, tw$hours, NA)
put_fits("wheels", Surv(left, right, type = "interval2"), tw, tw$n)
sa <- read.csv(file.path(folder, "shock_absorbers.csv"))
put_fits("shocks", with(sa, Surv(distance, status)), sa)
# The same as if every absorber were looked at each 2,000 km.
low <- 2000 * floor(sa$distance / 2000)
left <- ifelse(sa$status == 1, ifelse(low == 0, NA, low), sa$distance)
right <- ifelse(sa$status == 1, low + 2000, NA)
put_fits("inspected", Surv(left, right, type = "interval2"), sa)
